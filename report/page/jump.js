"use strict";
// jump lets links bring one of the articles into view and give it focus; showAll
// shows those that are hidden. The page may be opened at one of them.
const jump = (links, articles, showAll) => {
  const go = (id) => {
    const a = articles.find((x) => x.id === id);
    if (!a) return;
    if (a.hidden) showAll();
    a.focus({ preventScroll: true });
    a.scrollIntoView({ block: "start" });
  };
  for (const mark of links) {
    mark.addEventListener("click", (e) => {
      e.preventDefault();
      const id = mark.getAttribute("href").slice(1);
      history.replaceState(null, "", "#" + id);
      go(id);
    });
  }
  if (location.hash) go(location.hash.slice(1));
};
