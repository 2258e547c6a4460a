"use strict";
// The section at the moment under the slider, the same moment marked in the figures that run over time.
(() => {
  const part = document.getElementById("moving");
  const run = JSON.parse(document.getElementById("states").textContent);
  const slider = part.querySelector("input"), play = part.querySelector("button.play");
  const told = part.querySelector("output"), shapes = [...part.querySelectorAll(".place")].reverse();
  const lines = part.querySelectorAll("li"), drawing = part.querySelector("svg.section");
  const timed = [...document.querySelectorAll(".timed")];
  const end = run.seconds[run.seconds.length - 1], WHOLE = 20000;  // a run plays in so many milliseconds
  let now = 0, playing = 0;

  const micrometres = (x) => `${x.toFixed(x >= 9.95 ? 1 : x >= 0.0995 ? 2 : 3)} µm`;

  function span(figure) {
    const [first, last, left, right] = figure.dataset.span.split(" ").map(Number);
    return { first, last, left, right };
  }

  function state(seconds) {
    let low = 0, high = run.seconds.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (run.seconds[middle] <= seconds) low = middle; else high = middle;
    }
    const share = (seconds - run.seconds[low]) / (run.seconds[high] - run.seconds[low]);
    const between = (a, b) => a + share * (b - a);
    return {
      celsius: between(run.celsius[low], run.celsius[high]),
      liquid: between(run.liquid[low], run.liquid[high]),
      edges: run.edges[low].map((edge, k) => between(edge, run.edges[high][k])),
    };
  }

  function show(seconds) {
    now = Math.min(Math.max(seconds, 0), end);
    const { celsius, liquid, edges } = state(now);
    let inner = 0;
    const last = edges.length - 1;
    edges.forEach((outer, k) => {
      const there = outer - inner > run.seed, core = inner === 0 && !run.plane;
      shapes[k].setAttribute("display", there ? "inline" : "none");
      shapes[k].setAttribute(run.plane ? "width" : "r", outer);
      // a core off the middle takes all with it but the copper outside, at most to the barrier
      const left = k < last ? Math.max(Math.min(run.offset, edges[last] - edges[last - 1]), 0) : 0;
      if (!run.plane) shapes[k].setAttribute("cx", -left);
      lines[k].hidden = !there;
      lines[k].querySelector("strong").textContent = (core ? "⌀ " : "") + micrometres((outer - inner) * (core ? 2 : 1));
      inner = outer;
    });
    const past = run.events.filter((event) => event[1] <= now + 1e-3).pop();
    const place = `${(now / 3600).toFixed(2)} h, ${celsius.toFixed(1)} °C`;
    const words = `${place}; liquid: ${liquid.toFixed(1)} % of the tin${past ? `; last event: ${past[0]}` : ""}`;
    told.textContent = words;
    slider.value = now;
    slider.setAttribute("aria-valuetext", words);
    drawing.setAttribute("aria-label", `Section after ${place}`);
    for (const figure of timed) {
      const { left, right, first, last } = span(figure);
      const share = (now / 3600 - first) / (last - first);
      figure.querySelector("i").style.left = `${left + share * (right - left)}%`;
    }
  }

  function stop() {
    cancelAnimationFrame(playing);
    playing = 0;
    play.textContent = "▶ play";
  }

  function start() {
    const from = now >= end ? 0 : now, began = performance.now();
    play.textContent = "❚❚ stop";
    const step = (time) => {
      show(from + (end * Math.max(time - began, 0)) / WHOLE);
      if (now < end) playing = requestAnimationFrame(step); else stop();
    };
    playing = requestAnimationFrame(step);
  }

  function leap(to) {
    stop();
    if (to !== undefined) show(to);
  }

  play.addEventListener("click", () => (playing ? stop() : start()));
  slider.addEventListener("input", () => leap(Number(slider.value)));
  part.querySelector(".before").addEventListener("click",
    () => leap(run.events.map((event) => event[1]).filter((t) => t < now - 1e-3).pop()));
  part.querySelector(".after").addEventListener("click",
    () => leap(run.events.map((event) => event[1]).find((t) => t > now + 1e-3)));
  for (const figure of timed) {
    const seek = (event) => {
      if (event.type === "pointermove" && !event.buttons) return;
      const box = figure.getBoundingClientRect(), { left, right, first, last } = span(figure);
      const share = ((100 * (event.clientX - box.left)) / box.width - left) / (right - left);
      leap(3600 * (first + Math.min(Math.max(share, 0), 1) * (last - first)));
    };
    figure.addEventListener("pointerdown", seek);
    figure.addEventListener("pointermove", seek);
    figure.classList.add("moves");
  }
  part.hidden = false;
  const melting = run.events.find((event) => event[0].includes("melts"));
  show(melting ? melting[1] : end / 2);
})();
