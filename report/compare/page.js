"use strict";
(() => {
  const live = document.getElementById("live");
  const press = (button) => {
    for (const b of button.parentElement.children) b.setAttribute("aria-pressed", String(b === button));
  };

  // A wipe lays the picture after over that before, from the right; the slider
  // says up to where. It is a range input, so that keys move it as well.
  for (const shown of document.querySelectorAll(".shown")) {
    const wipe = shown.querySelector(".wipe");
    if (!wipe) continue;
    const twins = shown.querySelector(".twins");
    const stage = wipe.querySelector(".wiped");
    twins.querySelectorAll("img").forEach((img, i) => {
      const copy = img.cloneNode();
      if (i === 1) copy.className = "over-it";
      stage.append(copy);
    });
    const range = wipe.querySelector("input");
    const move = () => {
      wipe.style.setProperty("--at", range.value + "%");
      range.setAttribute("aria-valuetext", range.value + " % before, " + (100 - range.value) + " % after");
    };
    range.addEventListener("input", move);
    move();
    // Dragging in the picture moves the slider.
    const drag = (e) => {
      const box = stage.getBoundingClientRect();
      range.value = String(Math.round(100 * (e.clientX - box.left) / box.width));
      move();
    };
    stage.addEventListener("pointerdown", (e) => { stage.setPointerCapture(e.pointerId); drag(e); });
    stage.addEventListener("pointermove", (e) => { if (stage.hasPointerCapture(e.pointerId)) drag(e); });
    const choice = shown.querySelector(".choice");
    choice.hidden = false;
    for (const b of choice.children) {
      b.addEventListener("click", () => {
        press(b);
        twins.hidden = b.dataset.way !== "twins";
        wipe.hidden = !twins.hidden;
        live.textContent = shown.dataset.id + ": " + b.textContent;
      });
    }
  }

  const articles = [...document.querySelectorAll(".list > article")];
  const tools = document.querySelector(".tools");
  const only = (verdict) => {
    let n = 0;
    for (const a of articles) {
      a.hidden = verdict !== "" && a.dataset.verdict !== verdict;
      if (!a.hidden) n++;
    }
    live.textContent = n + " faults shown";
  };
  if (tools) {
    tools.hidden = false;
    for (const b of tools.querySelectorAll("[data-verdict]")) b.addEventListener("click", () => { press(b); only(b.dataset.verdict); });
  }

  // A row of the plot brings its fault into view and gives it focus.
  jump(document.querySelectorAll(".hit"), articles, () => {
    press(tools.querySelector('[data-verdict=""]'));
    only("");
  });
  document.documentElement.classList.add("js");
})();
