"use strict";
// Exchanges the view every 5 s. When the daemon does not answer it says so at once and greys what is old.
(() => {
  const find = (id) => document.getElementById(id);
  const EVERY = 5000, WAIT = 4000, LATE = 9500;
  let heard = Date.now(), busy = false;

  const ago = (s) => (s < 100 ? s + " s" : s < 5400 ? Math.round(s / 60) + " min" : Math.round(s / 3600) + " h") + " ago";

  function lost(is) {
    document.body.classList.toggle("lost", is);
    find("lost").hidden = !is;
    if (is) {
      find("last").textContent = "at " + find("view").dataset.at + ", " + ago(Math.round((Date.now() - heard) / 1000));
      document.title = "Lost: " + find("view").dataset.title;
    }
  }

  function show(text) {
    const open = [...document.querySelectorAll("details[open]")].map((one) => one.id);
    const before = find("view").dataset.title;
    find("now").innerHTML = text;
    for (const id of open) if (find(id)) find(id).open = true;
    const title = (document.title = find("view").dataset.title);
    if (title !== before) find("say").textContent = title;
  }

  async function ask() {
    if (busy) return;
    busy = true;
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), WAIT);
    try {
      const answer = await fetch("now", { signal: stop.signal, cache: "no-store" });
      // the login has ended: that is no fault of the daemon
      if (answer.status === 401) return location.assign("/login?next=" + encodeURIComponent(location.pathname));
      if (!answer.ok) throw new Error(answer.statusText);
      const text = await answer.text();
      heard = Date.now();
      show(text);
      lost(false);
    } catch {
      lost(true);
    } finally {
      clearTimeout(timer);
      busy = false;
    }
  }

  // a phone that slept wakes up with an old page: it is old until the daemon has answered
  const wake = () => {
    if (document.hidden) return;
    if (Date.now() - heard > LATE) lost(true);
    ask();
  };
  setInterval(ask, EVERY);
  setInterval(() => Date.now() - heard > LATE && lost(true), 1000);
  document.addEventListener("visibilitychange", wake);
  addEventListener("pageshow", (event) => event.persisted && wake());
  addEventListener("offline", () => lost(true));
  addEventListener("online", ask);
})();
