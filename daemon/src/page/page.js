// Keeps the page fresh without moving what is being read. Without this script the page is fetched anew by itself.
"use strict";
(() => {
  const EVERY_MS = 60000;
  let busy = false;

  const typing = () => {
    const here = document.activeElement;
    return here instanceof HTMLElement && ["INPUT", "TEXTAREA", "SELECT", "BUTTON"].includes(here.tagName);
  };

  async function renew() {
    if (busy || document.hidden || typing()) return;
    busy = true;
    try {
      const answer = await fetch("/", { headers: { Accept: "text/html" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const main = document.getElementById("main");
      const next = fresh.getElementById("main");
      if (!main || !next || typing()) return;
      // What was opened stays open; what is in sight stays where it is.
      const open = [...main.querySelectorAll("details[open] > summary")].map((summary) => summary.textContent);
      const top = window.scrollY;
      main.replaceWith(document.adoptNode(next));
      for (const summary of next.querySelectorAll("details > summary")) {
        if (open.includes(summary.textContent)) summary.parentElement.open = true;
      }
      window.scrollTo(0, top);
      document.title = fresh.title;
      document.documentElement.classList.remove("away");
    } catch {
      document.documentElement.classList.add("away");
    } finally {
      busy = false;
    }
  }

  let news = null;
  function listen() {
    news = new EventSource("/api/v1/events");
    news.addEventListener("news", renew);
    news.addEventListener("error", () => document.documentElement.classList.add("away"));
    news.addEventListener("open", renew);
  }
  listen();
  setInterval(renew, EVERY_MS);
  document.addEventListener("visibilitychange", renew);

  // The value under the pointer or finger on a chart, in words.
  const told = document.createElement("output");
  told.className = "crosshair";
  told.setAttribute("aria-hidden", "true");
  document.addEventListener("pointermove", (event) => {
    const chart = event.target instanceof Element ? event.target.closest("svg.chart") : null;
    const points = chart ? chart.getAttribute("data-points") : null;
    if (!points) {
      told.remove();
      return;
    }
    const box = chart.getBoundingClientRect();
    const share = (event.clientX - box.left) / box.width;
    let best = null;
    for (const point of points.split(";")) {
      const [at, words] = point.split("|");
      if (best === null || Math.abs(at - share) < Math.abs(best[0] - share)) best = [Number(at), words];
    }
    if (!best) return;
    told.textContent = best[1];
    told.style.left = `${box.left + window.scrollX + best[0] * box.width}px`;
    told.style.top = `${box.top + window.scrollY}px`;
    if (!told.isConnected) document.body.append(told);
  });
})();
