"use strict";
// Pictures over each other with a divider between two of them, and a view that stays on the
// same place when it is enlarged. Without this script they stand side by side.
(() => {
  const STEPS = { ArrowLeft: -2, ArrowDown: -2, ArrowRight: 2, ArrowUp: 2, PageDown: -10, PageUp: 10 };

  const clamp = (value, least, most) => Math.min(Math.max(value, least), most);

  function connect(pair) {
    const view = pair.querySelector(".view");
    const stage = pair.querySelector(".stage");
    const divider = pair.querySelector(".divider");
    const image = stage.querySelector("img");
    let share = 50;
    let middle = [0.5, 0.5];

    pair.style.setProperty("--width", image.getAttribute("width"));
    pair.style.setProperty("--height", image.getAttribute("height"));

    function draw() {
      const x = (share / 100) * view.clientWidth;
      stage.style.setProperty("--cut", `${view.scrollLeft + x}px`);
      pair.style.setProperty("--at", `${share}%`);
    }

    function set(to) {
      share = clamp(to, 0, 100);
      const shown = Math.round(share);
      divider.setAttribute("aria-valuenow", String(shown));
      divider.setAttribute("aria-valuetext", `${shown} %`);
      draw();
    }

    function remember() {
      middle = [
        (view.scrollLeft + view.clientWidth / 2) / view.scrollWidth,
        (view.scrollTop + view.clientHeight / 2) / view.scrollHeight,
      ];
      draw();
    }

    function look() {
      view.scrollLeft = middle[0] * view.scrollWidth - view.clientWidth / 2;
      view.scrollTop = middle[1] * view.scrollHeight - view.clientHeight / 2;
      draw();
    }

    divider.addEventListener("keydown", (event) => {
      const ends = { Home: 0, End: 100 };
      if (event.key in ends) set(ends[event.key]);
      else if (event.key in STEPS) set(share + STEPS[event.key]);
      else return;
      event.preventDefault();
    });

    function drag(element, move) {
      element.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        element.setPointerCapture(event.pointerId);
        const onmove = move(event);
        element.addEventListener("pointermove", onmove);
        const end = () => element.removeEventListener("pointermove", onmove);
        for (const name of ["pointerup", "pointercancel"]) {
          element.addEventListener(name, end, { once: true });
        }
      });
    }

    drag(divider, () => (event) => {
      const box = view.getBoundingClientRect();
      set((100 * (event.clientX - box.left)) / box.width);
    });
    // A finger scrolls by itself.
    drag(view, (start) => {
      const from = [view.scrollLeft, view.scrollTop];
      return (event) => {
        if (event.pointerType === "touch") return;
        view.scrollLeft = from[0] - (event.clientX - start.clientX);
        view.scrollTop = from[1] - (event.clientY - start.clientY);
      };
    });

    view.addEventListener("scroll", remember, { passive: true });
    addEventListener("resize", look);
    choose(pair, stage);
    set(50);
    look();
    return look;
  }

  // Of more than two pictures, which are held against each other.
  function choose(pair, stage) {
    for (const select of pair.parentElement.querySelectorAll("select")) {
      select.addEventListener("change", () => {
        const side = select.dataset.side;
        stage.querySelectorAll("figure").forEach((figure, i) => {
          figure.classList.toggle(side, i === Number(select.value));
        });
      });
    }
  }

  document.documentElement.classList.add("live");
  const looks = Array.from(document.querySelectorAll(".pair"), connect);
  for (const button of document.querySelectorAll("input[name=zoom]")) {
    button.addEventListener("change", () => looks.forEach((look) => look()));
  }
})();
