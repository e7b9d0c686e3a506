"use strict";
(() => {
  const live = document.getElementById("live");

  // select marks the text of an element, so that it can be copied by hand.
  const select = (element) => {
    const range = document.createRange();
    range.selectNodeContents(element);
    const selection = getSelection();
    selection.removeAllRanges();
    selection.addRange(range);
  };
  // copy puts a sentence on the clipboard, or selects it where the browser does
  // not let a page do that.
  const copy = async (button, sentence) => {
    const name = button.closest("article").id;
    const say = (word, words) => {
      button.textContent = word;
      live.textContent = name + ": " + words;
      setTimeout(() => { button.textContent = "Copy sentence"; }, 4000);
    };
    try {
      await navigator.clipboard.writeText(sentence.textContent);
    } catch {
      select(sentence);
      if (!document.execCommand("copy")) {
        say("Selected", "the sentence is selected; copy it with Ctrl+C or from the menu");
        return;
      }
    }
    say("Copied", "the sentence is copied");
  };
  for (const said of document.querySelectorAll(".said")) {
    const button = said.querySelector(".copy");
    button.addEventListener("click", () => copy(button, said.querySelector(".sentence")));
    said.querySelector(".acts").hidden = false;
  }
})();
