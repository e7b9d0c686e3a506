"use strict";
(() => {
  // Steps of pictures are painted no more often than this, and a key that is
  // held down counts once: two steps make one flash, so this keeps below the
  // three flashes a second of WCAG 2.3.1.
  const MIN_STEP_MS = 200;
  // A finding fits a window with its facts beside it.
  const STAGE_HEIGHT = 400;
  const live = document.getElementById("live");
  let painted = -Infinity;
  let waiting = 0;

  // paint runs the newest of the steps that were asked for, when it may.
  const paint = (step) => {
    clearTimeout(waiting);
    const wait = painted + MIN_STEP_MS - performance.now();
    if (wait > 0) {
      waiting = setTimeout(() => paint(step), wait);
      return;
    }
    painted = performance.now();
    step();
  };

  // stepper shows one of several pictures; buttons say which.
  const stepper = (pictures, buttons, name, after = () => {}) => {
    let now = Math.max(0, pictures.findIndex((p) => p.classList.contains("now")));
    const show = (i) => {
      if (i < 0 || i >= pictures.length || buttons[i].disabled) return;
      now = i;
      buttons.forEach((b, k) => b.setAttribute("aria-pressed", String(k === i)));
      paint(() => {
        pictures.forEach((p, k) => p.classList.toggle("now", k === i));
        live.textContent = name + ": " + pictures[i].dataset.name;
        after();
      });
    };
    buttons.forEach((b, i) => b.addEventListener("click", () => show(i)));
    return {
      get now() { return now; },
      show,
      key: (e) => {
        const to = { ArrowLeft: now - 1, ArrowRight: now + 1, Home: 0, End: pictures.length - 1 }[e.key];
        if (to === undefined || e.altKey || e.ctrlKey || e.metaKey) return;
        e.preventDefault();
        if (!e.repeat) show(to);
      },
    };
  };

  const dialog = document.getElementById("enlarged");
  const stage = dialog.querySelector(".dialog-stage");
  const steps = dialog.querySelector(".steps");
  const scale = dialog.querySelector(".scale");
  let opener = null;
  let enlarged = null;

  // scaleOf is the largest factor that fits and gives every pixel of the
  // picture the same whole number of screen pixels, where there is one.
  const scaleOf = (img, room) => {
    const dots = window.devicePixelRatio || 1;
    const exact = Math.min(room.w / Number(img.getAttribute("width")), room.h / Number(img.getAttribute("height")));
    return exact * dots >= 1 ? Math.floor(exact * dots) / dots : exact;
  };
  const resize = (img, k) => {
    img.style.width = Number(img.getAttribute("width")) * k + "px";
    img.style.height = Number(img.getAttribute("height")) * k + "px";
    img.classList.toggle("reduced", k * (window.devicePixelRatio || 1) < 1);
  };

  // fit enlarges what is in the dialog. A crop that is larger than the window
  // is scrolled, because reducing it would hide what it is to show.
  const fit = () => {
    const dots = window.devicePixelRatio || 1;
    const room = { w: stage.clientWidth, h: stage.clientHeight };
    for (const figure of stage.children) {
      const img = figure.querySelector("img");
      if (!img) continue;
      const whole = figure.dataset.whole === "true";
      const k = whole ? scaleOf(img, room) : Math.max(scaleOf(img, room), 1 / dots);
      resize(img, k);
      const n = Math.round(k * dots);
      figure.dataset.scale = k * dots < 1
        ? "the picture is reduced"
        : (n === 1 ? "one screen pixel" : n + " screen pixels wide") + " for each pixel of the " + (whole ? "picture" : "crop");
    }
    const now = stage.querySelector(".now");
    scale.textContent = now ? now.dataset.scale || "" : "";
  };

  // open shows figures enlarged, from one of them on.
  const open = (sources, title, name, from, start) => {
    stage.replaceChildren();
    steps.replaceChildren();
    const pictures = sources.map((s, i) => {
      const figure = document.createElement("figure");
      figure.dataset.name = s.dataset.name || "Whole picture";
      figure.dataset.whole = String(!s.matches(".panel"));
      const shown = s.querySelector(".over") || s.querySelector("img");
      if (shown) figure.append(shown.cloneNode(true));
      figure.classList.toggle("now", i === start);
      stage.append(figure);
      return figure;
    });
    const buttons = pictures.map((p, i) => {
      const b = document.createElement("button");
      b.type = "button";
      b.textContent = p.dataset.name;
      b.setAttribute("aria-pressed", String(i === start));
      b.disabled = !p.firstChild;
      steps.append(b);
      return b;
    });
    dialog.querySelector("h2").textContent = title;
    enlarged = stepper(pictures, buttons, name, fit);
    opener = from;
    dialog.showModal();
    fit();
    stage.focus();
  };
  dialog.addEventListener("keydown", (e) => enlarged && enlarged.key(e));
  dialog.addEventListener("click", (e) => { if (e.target === dialog) dialog.close(); });
  dialog.querySelector(".close").addEventListener("click", () => dialog.close());
  dialog.addEventListener("close", () => {
    if (dialog.open) return; // opened again before this was told
    stage.replaceChildren();
    if (opener) opener.focus();
  });
  addEventListener("resize", () => { if (dialog.open) fit(); });

  // enlargeable makes the picture of a figure a button.
  const enlargeable = (figure, picture, label, show) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "whole";
    button.setAttribute("aria-haspopup", "dialog");
    button.setAttribute("aria-label", label);
    picture.replaceWith(button);
    button.append(picture);
    button.addEventListener("click", () => show(button));
  };

  for (const viewer of document.querySelectorAll(".viewer")) {
    const article = viewer.closest("article");
    // In this order: the three pictures, the whole one, and those of small steps.
    const all = [".panel", ".context", ".spread figure"].flatMap((s) => [...article.querySelectorAll(s)]);
    const enlarge = (from, start) => open(all, article.querySelector("h3").textContent, article.id, from, start);
    const s = stepper([...viewer.querySelectorAll(".panel")], [...viewer.querySelectorAll("[data-step]")], viewer.dataset.id);
    const shown = viewer.querySelector(".stage");
    shown.tabIndex = 0;
    shown.setAttribute("role", "group");
    shown.setAttribute("aria-label", viewer.dataset.id + ": arrow keys step, Enter enlarges");
    viewer.addEventListener("keydown", (e) => {
      s.key(e);
      if (e.key === "Enter" && e.target === shown) enlarge(shown, s.now);
    });
    shown.addEventListener("click", () => enlarge(shown, s.now));
    new ResizeObserver(() => {
      for (const img of shown.querySelectorAll("img")) resize(img, scaleOf(img, { w: shown.clientWidth, h: STAGE_HEIGHT }));
    }).observe(shown);
    const button = viewer.querySelector(".enlarge");
    button.addEventListener("click", () => enlarge(button, s.now));
    viewer.querySelector(".controls").hidden = false;
    all.forEach((figure, i) => {
      if (figure.matches(".panel")) return;
      const name = (figure.dataset.name || "whole picture").toLowerCase();
      enlargeable(figure, figure.querySelector("img"), viewer.dataset.id + ": enlarge, " + name, (from) => enlarge(from, i));
    });
  }
  const seen = [...document.querySelectorAll(".seen")];
  seen.forEach((figure, i) => {
    const title = document.getElementById("camera-title").textContent;
    enlargeable(figure, figure.querySelector(".over"), "Enlarge: " + figure.dataset.name, (from) => open(seen, title, title, from, i));
  });

  // The middle of the diagram is what it is about.
  for (const s of document.querySelectorAll(".scroll:has(.timing)")) s.scrollLeft = (s.scrollWidth - s.clientWidth) / 2;

  const list = document.querySelector(".list");
  const articles = [...list.children];
  const press = (button) => {
    for (const b of button.parentElement.children) b.setAttribute("aria-pressed", String(b === button));
  };
  const only = (kind) => {
    let shown = 0;
    for (const a of articles) {
      a.hidden = kind !== "" && a.dataset.kind !== kind;
      if (!a.hidden) shown++;
    }
    live.textContent = shown + " findings shown";
  };
  const tools = document.querySelector(".tools");
  if (tools) {
    tools.hidden = false;
    for (const b of tools.querySelectorAll("[data-order]")) {
      b.addEventListener("click", () => {
        press(b);
        const key = b.dataset.order;
        list.append(...articles.sort((p, q) => p.dataset[key] - q.dataset[key] || p.dataset.rank - q.dataset.rank));
      });
    }
    for (const b of tools.querySelectorAll("[data-kind]")) {
      b.addEventListener("click", () => { press(b); only(b.dataset.kind); });
    }
  }

  // The annotated clip, where one was made: its chapters, and a button at each
  // finding that it shows. Going to a place does not start the clip.
  const clip = document.querySelector("#player video");
  if (clip) {
    const chapters = [...document.querySelectorAll(".chapters .place")];
    const seek = (chapter) => {
      paint(() => { clip.currentTime = Number(chapter.dataset.at); });
      // Focus on the clip itself would let the key that went here start it.
      chapter.focus({ preventScroll: true });
      clip.scrollIntoView({ block: "nearest" });
      live.textContent = "the clip stands at " + chapter.textContent.trim();
    };
    for (const c of chapters) {
      c.addEventListener("click", (e) => {
        e.preventDefault();
        seek(c);
      });
      const article = articles.find((a) => a.id === c.dataset.finding);
      if (!article || article.querySelector(".in-clip")) continue;
      const button = document.createElement("button");
      button.type = "button";
      button.className = "in-clip";
      button.textContent = "Show in the clip";
      button.setAttribute("aria-label", article.id + ": show in the annotated clip");
      button.addEventListener("click", () => seek(c));
      article.querySelector(".acts").append(button);
    }
    clip.addEventListener("timeupdate", () => {
      // A seek may end a little before the time that was asked for.
      const slack = 0.01;
      let now = null;
      for (const c of chapters) if (Number(c.dataset.at) <= clip.currentTime + slack) now = c;
      for (const c of chapters) {
        if (c === now) c.setAttribute("aria-current", "true");
        else c.removeAttribute("aria-current");
      }
    });
    const missing = () => {
      document.getElementById("player-missing").hidden = false;
    };
    if (clip.error) missing();
    clip.addEventListener("error", missing);
  }

  // A mark in the time line, or the name of a finding beside the clip, brings the
  // finding into view and gives it focus.
  jump(document.querySelectorAll(".hit, .chapters .shown"), articles, () => {
    press(tools.querySelector('[data-kind=""]'));
    only("");
  });
  document.documentElement.classList.add("js");
})();
