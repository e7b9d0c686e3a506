package page

import (
	_ "embed"
	"html/template"
)

// Style is the style sheet of the tool's pages.
func Style() template.CSS { return template.CSS(style) }

//go:embed copy.js
var copyScript string

//go:embed jump.js
var jumpScript string

// JumpScript defines jump(links, articles, showAll), by which links lead to the
// articles of a page.
func JumpScript() template.JS { return template.JS(jumpScript) }

// CopyScript gives the button .copy beside each .sentence, both in a .said of an
// article, its work; the page has an element live that says what was done.
func CopyScript() template.JS { return template.JS(copyScript) }
