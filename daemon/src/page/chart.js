// A closer look at a chart: the value under the pointer, and a stretch of its time drawn wider. Without it the whole chart stands.
"use strict";
(() => {
  const WIDE = 1000;
  const MOST_TIMES = 16;
  // Which stretch of time each chart shows, in seconds, and whether its buttons are out: kept when the page is renewed.
  const looks = new Map();
  let focused = null;

  const number = (element, name) => Number(element.getAttribute(name));
  const bound = (value, least, most) => Math.min(Math.max(value, least), most);
  const pointsOf = (chart) =>
    (chart.getAttribute("data-points") || "").split(";").filter(Boolean).map((point) => {
      const [share, words] = point.split("|");
      return { share: Number(share), words };
    });

  // The stretch that is drawn, as shares of the whole.
  const stretch = (chart) => {
    const look = looks.get(chart.id);
    if (!look || look.from === undefined) return [0, 1];
    const [from, to] = [number(chart, "data-from"), number(chart, "data-to")];
    const length = bound((look.to - look.from) / (to - from), 1 / MOST_TIMES, 1);
    const start = bound((look.from - from) / (to - from), 0, 1 - length);
    return [start, start + length];
  };

  function draw(chart) {
    const [from, to] = stretch(chart);
    const place = (share) => (share - from) / (to - from);
    for (const panel of chart.querySelectorAll("svg[viewBox]")) {
      const tall = panel.getAttribute("viewBox").split(" ")[3];
      panel.setAttribute("viewBox", `${from * WIDE} 0 ${(to - from) * WIDE} ${tall}`);
    }
    for (const name of ["x", "x1", "x2", "cx"]) {
      for (const element of chart.querySelectorAll(`[${name}$="%"]`)) {
        const first = `data-${name}`;
        if (!element.hasAttribute(first)) element.setAttribute(first, element.getAttribute(name));
        const there = place(parseFloat(element.getAttribute(first)) / 100);
        element.setAttribute(name, `${(there * 100).toFixed(2)}%`);
        element.toggleAttribute("data-outside", there < -0.001 || there > 1.001);
      }
    }
    const tools = chart.parentElement.querySelector(".closer");
    if (!tools) return;
    const seen = pointsOf(chart).filter((point) => point.share >= from && point.share <= to);
    const moment = (point) => point.words.split(": ")[0];
    const said = tools.querySelector("output");
    if (to - from > 0.999 || seen.length === 0) said.textContent = "";
    else said.textContent = `Shown: ${moment(seen[0])} to ${moment(seen.at(-1))}.`;
  }

  function look(chart, from, to) {
    const [first, last] = [number(chart, "data-from"), number(chart, "data-to")];
    const length = bound(to - from, 1 / MOST_TIMES, 1);
    const start = bound(from, 0, 1 - length);
    const at = (share) => first + share * (last - first);
    const kept = looks.get(chart.id) || {};
    looks.set(chart.id, { ...kept, from: at(start), to: at(start + length) });
    draw(chart);
  }

  const MOVES = {
    Nearer: (from, to) => [from + (to - from) / 4, to - (to - from) / 4],
    Wider: (from, to) => [from - (to - from) / 2, to + (to - from) / 2],
    Earlier: (from, to) => [from - (to - from) / 2, to - (to - from) / 2],
    Later: (from, to) => [from + (to - from) / 2, to + (to - from) / 2],
    Whole: () => [0, 1],
  };

  function dress(chart) {
    if (!chart.id || chart.parentElement.querySelector(".closer")) return;
    const tools = document.createElement("details");
    tools.className = "closer";
    const summary = document.createElement("summary");
    summary.textContent = "Look closer";
    const name = chart.querySelector("title");
    const whose = document.createElement("span");
    whose.className = "unseen";
    whose.textContent = name ? ` at ${name.textContent}` : "";
    summary.append(whose);
    const row = document.createElement("div");
    for (const [word, move] of Object.entries(MOVES)) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "quiet";
      button.textContent = word;
      button.addEventListener("click", () => look(chart, ...move(...stretch(chart))));
      row.append(button);
    }
    const said = document.createElement("output");
    said.className = "soft";
    tools.append(summary, row, said);
    tools.open = Boolean((looks.get(chart.id) || {}).open);
    tools.addEventListener("toggle", () => looks.set(chart.id, { ...looks.get(chart.id), open: tools.open }));
    chart.after(tools);
    draw(chart);
  }

  const all = () => document.querySelectorAll("svg.chart[data-from]");
  const dressAll = () => all().forEach(dress);
  dressAll();
  // Whoever goes on by keys goes on where they were.
  document.addEventListener("renewing", () => {
    const here = document.activeElement;
    const tools = here instanceof Element ? here.closest(".closer") : null;
    focused = tools && { chart: tools.previousElementSibling.id, word: here.textContent };
  });
  document.addEventListener("renewed", () => {
    hide();
    dressAll();
    if (!focused) return;
    const chart = document.getElementById(focused.chart);
    const places = chart ? [...chart.nextElementSibling.querySelectorAll("summary, button")] : [];
    const place = places.find((place) => place.textContent === focused.word);
    if (place) place.focus({ preventScroll: true });
  });

  // The value under the pointer or finger, in words, with a line through all panels.
  const told = document.createElement("output");
  told.className = "crosshair";
  told.setAttribute("aria-hidden", "true");
  const hair = document.createElement("div");
  hair.className = "hair";
  function hide() {
    told.remove();
    hair.remove();
  }
  const chartOf = (target) => (target instanceof Element ? target.closest("svg.chart") : null);
  let held = null;

  function tell(event) {
    const chart = chartOf(event.target);
    const points = chart ? pointsOf(chart) : [];
    if (points.length === 0) return hide();
    const box = chart.getBoundingClientRect();
    const [from, to] = stretch(chart);
    const share = from + ((event.clientX - box.left) / box.width) * (to - from);
    const off = (point) => Math.abs(point.share - share);
    const near = points.reduce((best, point) => (off(point) < off(best) ? point : best));
    const x = box.left + bound((near.share - from) / (to - from), 0, 1) * box.width;
    told.textContent = near.words;
    if (!told.isConnected) document.body.append(told, hair);
    const half = told.offsetWidth / 2;
    const wide = document.documentElement.clientWidth;
    told.style.left = `${bound(x, half + 4, Math.max(wide - half - 4, half + 4)) + window.scrollX}px`;
    told.style.top = `${box.top + window.scrollY}px`;
    hair.style.left = `${x + window.scrollX}px`;
    hair.style.top = `${box.top + window.scrollY}px`;
    hair.style.height = `${box.height}px`;
  }
  document.addEventListener("pointermove", tell);
  // With a mouse a stretch can be drawn over; twice shows the whole again.
  document.addEventListener("pointerdown", (event) => {
    const chart = chartOf(event.target);
    held = chart && chart.id && event.pointerType === "mouse" ? { chart, x: event.clientX } : null;
  });
  document.addEventListener("pointerup", (event) => {
    if (held && held.chart.isConnected && Math.abs(event.clientX - held.x) > 12) {
      const box = held.chart.getBoundingClientRect();
      const [from, to] = stretch(held.chart);
      const share = (x) => from + ((x - box.left) / box.width) * (to - from);
      look(held.chart, share(Math.min(held.x, event.clientX)), share(Math.max(held.x, event.clientX)));
    }
    held = null;
  });
  document.addEventListener("dblclick", (event) => {
    const chart = chartOf(event.target);
    if (chart && chart.id) look(chart, 0, 1);
  });
})();
