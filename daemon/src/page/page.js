// Keeps the page fresh without moving what is being read. Without this script the page is fetched anew by itself.
"use strict";
(() => {
  const EVERY_MS = 60000;
  let busy = false;

  const typing = () => {
    const here = document.activeElement;
    if (!(here instanceof HTMLElement) || here.closest(".closer")) return false;
    return ["INPUT", "TEXTAREA", "SELECT", "BUTTON"].includes(here.tagName);
  };

  // What is being read: the last title above the middle of the window that is likely to be there again.
  const HELD = "section > h2, section > h3, .row b, summary";
  const held = (main) => {
    if (window.scrollY === 0) return null;
    const places = [...main.querySelectorAll(HELD)].filter((place) => place.getClientRects().length > 0);
    const above = places.filter((place) => place.getBoundingClientRect().top < window.innerHeight / 2);
    const place = above.at(-1);
    if (!place) return null;
    const words = place.textContent;
    const which = [...main.querySelectorAll(HELD)].filter((other) => other.textContent === words).indexOf(place);
    return { words, which, top: place.getBoundingClientRect().top };
  };

  async function renew() {
    if (busy || document.hidden || typing()) return;
    busy = true;
    try {
      const answer = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const main = document.getElementById("main");
      const next = fresh.getElementById("main");
      if (!main || !next || typing()) return;
      // What was opened stays open; what is in sight stays where it is.
      const open = [...main.querySelectorAll("details[open]")].map((details) => details.id).filter(Boolean);
      document.dispatchEvent(new Event("renewing"));
      const read = held(main);
      main.replaceWith(document.adoptNode(next));
      for (const id of open) {
        const details = document.getElementById(id);
        if (details instanceof HTMLDetailsElement) details.open = true;
      }
      document.dispatchEvent(new Event("renewed"));
      if (read) {
        const again = [...next.querySelectorAll(HELD)].filter((place) => place.textContent === read.words);
        const place = again[read.which];
        if (place) window.scrollBy({ top: place.getBoundingClientRect().top - read.top, behavior: "instant" });
      }
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
  // Whoever looks by a link hears no news, and looks again.
  if (!location.pathname.startsWith("/shared/")) listen();
  setInterval(renew, EVERY_MS);
  document.addEventListener("visibilitychange", renew);
})();
