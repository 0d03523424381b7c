"use strict";
// Keeps the view as it is now: by a stream of what changes, or, where no stream gets through, by asking every 5 s.
// When the daemon does not answer it says so at once and greys what is old.
(() => {
  const find = (id) => document.getElementById(id);
  const EVERY = 5000, WAIT = 4000, LATE = 9500, AGAIN = 60000;
  let heard = Date.now(), busy = false, stream = null, lines = [], began = 0, failed = 0;

  const ago = (s) => (s < 100 ? s + " s" : s < 5400 ? Math.round(s / 60) + " min" : Math.round(s / 3600) + " h") + " ago";

  function lost(is) {
    document.body.classList.toggle("lost", is);
    find("lost").hidden = !is;
    if (is) {
      find("last").textContent = "at " + find("view").dataset.at + ", " + ago(Math.round((Date.now() - heard) / 1000));
      document.title = "Lost: " + find("view").dataset.title;
    }
  }

  // only what differs is touched, so that what is open, chosen or held by the keyboard stays so
  function become(old, fresh) {
    for (const { name, value } of fresh.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
    for (const { name } of [...old.attributes]) if (name !== "open" && !fresh.hasAttribute(name)) old.removeAttribute(name);
    const had = [...old.childNodes], has = [...fresh.childNodes];
    has.forEach((one, at) => {
      const was = had[at];
      if (!was) old.append(one);
      else if (was.nodeName !== one.nodeName || was.id !== one.id) was.replaceWith(one);
      else if (one.nodeType === 1) become(was, one);
      else if (was.data !== one.data) was.data = one.data;
    });
    had.slice(has.length).forEach((one) => one.remove());
  }

  function show(text) {
    const open = [...document.querySelectorAll("details[open]")].map((one) => one.id);
    const before = find("view").dataset.title, held = document.activeElement, around = held.closest("[id]")?.id;
    const fresh = document.createElement("main");
    fresh.innerHTML = text;
    fresh.id = "now";
    become(find("now"), fresh);
    for (const id of open) if (find(id)) find(id).open = true;
    if (around && document.activeElement !== held) {
      const box = find(around), again = held.id ? box : box?.querySelector(held.localName);
      again?.focus({ preventScroll: true });
    }
    const title = (document.title = find("view").dataset.title);
    if (title !== before) find("say").textContent = title;
    heard = Date.now();
    lost(false);
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
      show(await answer.text());
    } catch {
      lost(true);
    } finally {
      clearTimeout(timer);
      busy = false;
    }
  }

  function close(fault) {
    if (stream) stream.close();
    stream = null;
    failed = fault ? failed + 1 : 0;
  }

  function listen() {
    if (stream || document.hidden || (failed > 2 && Date.now() - began < AGAIN)) return;
    began = Date.now();
    lines = [];
    stream = new EventSource("live");
    stream.onmessage = (event) => {
      failed = 0;
      for (const [at, length, put] of JSON.parse(event.data)) lines.splice(at, length, ...put);
      show(lines.join("\n"));
    };
    stream.onerror = () => {
      close(true);
      ask();
    };
  }

  function tick() {
    const quiet = Date.now() - heard;
    if (quiet >= EVERY) {
      // nothing comes through: something on the way collects it, or nobody is there
      if (stream && Date.now() - began > LATE) close(true);
      ask();
    }
    if (quiet > LATE && !document.hidden) lost(true);
    listen();
  }

  // a phone that slept wakes up with an old page: it is old until the daemon has answered. A page nobody looks at
  // needs no stream: browsers allow six connections for all the pages of a site
  const wake = () => {
    close(false);
    if (document.hidden) return;
    if (Date.now() - heard > LATE) lost(true);
    ask();
    listen();
  };
  setInterval(tick, 1000);
  listen();
  document.addEventListener("visibilitychange", wake);
  addEventListener("pageshow", (event) => event.persisted && wake());
  addEventListener("pagehide", () => close(false));
  addEventListener("offline", () => lost(true));
  addEventListener("online", wake);
})();
