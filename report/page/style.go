package page

import "html/template"

// Style is the style sheet of the tool's pages.
func Style() template.CSS { return template.CSS(style) }
