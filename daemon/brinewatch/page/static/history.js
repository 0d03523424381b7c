"use strict";
// Lets the strips be zoomed, moved and read off. The page works without it: this only adds.
(() => {
  const place = document.getElementById("strips");
  if (!place || typeof uPlot === "undefined") return;
  const CLOSEST = 120, LONGEST = 20 * 366 * 86400, SETTLED = 300, DOUBLE = 350, FAR = 24;
  const way = Object.assign(document.createElement("button"), { id: "back", className: "to plain", type: "button", textContent: "Back" });
  const find = (id) => document.getElementById(id);
  const charts = new Map(); // point -> {u, box, line}
  let head = null, span = null, before = [], timer = 0, asked = null, picked = null;

  // -- what is shown ------------------------------------------------------------------------------------------

  async function fetched(path, stop) {
    const answer = await fetch(path, { signal: stop && stop.signal, cache: "no-store" });
    // the login has ended: the page itself knows the way to it
    if (answer.redirected || answer.status === 401) location.reload();
    if (!answer.ok) throw new Error(answer.statusText);
    return answer;
  }

  function take(buffer) {
    head = Strips.unpack(buffer);
    span = [head.since, head.until];
    for (const strip of head.strips) {
      const section = find(strip.point);
      if (!section || strip.empty || !section.querySelector("svg")) continue;
      const one = charts.get(strip.point);
      if (one) one.u.show(head, strip);
      else begin(section, strip);
    }
    scale();
  }

  function begin(section, strip) {
    const box = document.createElement("div");
    box.className = "chart";
    box.tabIndex = 0;
    // the keys are its own; what is drawn stands in words above it and in the table below
    box.setAttribute("role", "application");
    box.setAttribute("aria-label", strip.name + ", drawn. Left and right move in time, plus and minus zoom, Shift with left and right reads off, Escape goes back.");
    section.querySelector("svg").before(box);
    section.classList.add("live");
    const u = Strips.chart(box, head, strip);
    charts.set(strip.point, { u, box, line: section.querySelector(".words") });
    listen(u, box, section.querySelector(".words"));
    new ResizeObserver(() => u.setSize({ width: box.clientWidth, height: u.height })).observe(box);
  }

  function scale() {
    for (const { u } of charts.values()) u.batch(() => u.setScale("x", { min: span[0], max: span[1] }));
    read(picked);
  }

  // What every strip says at one instant; null: what it says of the whole span.
  function read(utc, aloud = "") {
    picked = utc;
    for (const { u, line } of charts.values()) {
      const text = utc === null ? "" : u.at(utc);
      line.textContent = text || line.dataset.words;
      line.classList.toggle("read", text !== "");
      u.setCursor({ left: text ? u.valToPos(utc, "x") : -10, top: text ? 0 : -10 });
      if (line === aloud) find("heard").textContent = text;
    }
  }

  // -- another span -------------------------------------------------------------------------------------------

  function go(since, until) {
    const wide = Math.min(Math.max(until - since, CLOSEST), LONGEST), latest = Math.max(head.now, head.until);
    const middle = (since + until) / 2, end = Math.min(middle + wide / 2, latest);
    span = [end - wide, end];
    scale();
    clearTimeout(timer);
    timer = setTimeout(settle, SETTLED);
  }

  const zoom = (factor, utc = (span[0] + span[1]) / 2) => go(utc - (utc - span[0]) * factor, utc + (span[1] - utc) * factor);
  const pan = (share) => go(span[0] + share * (span[1] - span[0]), span[1] + share * (span[1] - span[0]));
  const text = (utc) => new Date(Math.round(utc) * 1000).toISOString().slice(0, 19) + "Z";

  async function settle(kept = true) {
    clearTimeout(timer);
    if (kept) before.push(location.search);
    const query = new URLSearchParams(location.search);
    query.set("since", text(span[0]));
    query.set("until", text(span[1]));
    await show("?" + query);
  }

  async function back() {
    if (before.length) await show(before.pop());
  }

  async function show(search) {
    history.replaceState(null, "", "/history" + search);
    if (asked) asked.abort();
    const stop = (asked = new AbortController());
    try {
      const [numbers, page] = await Promise.all([
        fetched("/history/numbers" + search, stop).then((answer) => answer.arrayBuffer()),
        fetched("/history" + search, stop).then((answer) => answer.text()),
      ]);
      renew(new DOMParser().parseFromString(page, "text/html"));
      picked = null;
      take(numbers);
      note("");
    } catch (error) {
      if (error.name !== "AbortError") note("The daemon does not answer: what is drawn may be coarse or cut off. Try again.");
    } finally {
      if (asked === stop) asked = null;
      place.dataset.shown = location.search;
    }
  }

  // Words, tables and addresses are the daemon's own: they are taken over as they are.
  function renew(page) {
    for (const section of document.querySelectorAll("section.strip")) {
      const fresh = page.querySelector(`section.strip[id="${CSS.escape(section.id)}"]`);
      if (!fresh) continue;
      const [mine, its] = [section, fresh].map((one) => one.querySelector("svg"));
      if (mine && its) mine.replaceWith(its);
      else if (mine || its) {
        // into a gap, or out of one
        if (charts.has(section.id)) charts.get(section.id).u.destroy();
        charts.delete(section.id);
        section.classList.remove("live");
        section.replaceChildren(...fresh.childNodes);
        keep(section);
      }
    }
    for (const part of document.querySelectorAll("[data-part]")) {
      const fresh = page.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
      if (fresh) part.replaceChildren(...fresh.childNodes);
      if (fresh && fresh.href) part.href = fresh.href;
      if (fresh && part.dataset.words !== undefined) part.dataset.words = part.textContent;
    }
    for (const name of ["since", "until"])
      for (const field of page.getElementsByName(name)) for (const own of document.getElementsByName(name)) own.value = field.value;
    if (before.length) document.querySelector('[data-part="move"]').append(way);
    else way.remove();
    links();
  }

  function keep(part) {
    for (const line of part.querySelectorAll(".words")) line.dataset.words = line.textContent;
  }

  function note(words) {
    find("said").textContent = words;
  }

  // Earlier, Later, Closer and Wider do here what their addresses do.
  function links() {
    for (const link of document.querySelectorAll('[data-part="move"] a'))
      link.addEventListener("click", (event) => {
        if (event.ctrlKey || event.metaKey || event.shiftKey) return;
        event.preventDefault();
        before.push(location.search);
        show(new URL(link.href).search);
      });
  }

  // -- hands --------------------------------------------------------------------------------------------------

  function listen(u, box, line) {
    const fingers = new Map();
    let start = null, tapped = 0;
    const utc = (event) => u.posToVal(event.clientX - u.over.getBoundingClientRect().left, "x");
    const shown = (from, to) => {
      for (const { u: one } of charts.values()) {
        const [left, right] = [from, to].map((value) => one.valToPos(value, "x")).sort((a, b) => a - b);
        one.setSelect({ left, width: right - left, top: 0, height: one.over.clientHeight }, false);
      }
    };

    u.over.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      fingers.set(event.pointerId, event.clientX);
      start = { utc: utc(event), x: event.clientX, span, moved: false, panned: event.shiftKey, fingers: [...fingers.values()] };
      if (event.pointerType === "mouse") u.over.setPointerCapture(event.pointerId);
      read(utc(event));
    });
    u.over.addEventListener("pointermove", (event) => {
      if (!fingers.has(event.pointerId)) return void (event.pointerType === "mouse" && read(utc(event)));
      fingers.set(event.pointerId, event.clientX);
      if (Math.abs(event.clientX - start.x) > 6) start.moved = true;
      if (fingers.size === 2) return pinch([...fingers.values()]);
      if (fingers.size > 2 || start.fingers.length > 1) return;
      if (start.panned) {
        const shift = start.utc - utc(event);
        return go(span[0] + shift, span[1] + shift);
      }
      read(utc(event));
      if (event.pointerType === "mouse" && start.moved) shown(start.utc, utc(event));
    });
    // what lay under each finger stays under it
    function pinch(now) {
      const wide = u.over.clientWidth, left = u.over.getBoundingClientRect().left, [since, until] = start.span;
      const at = start.fingers.map((x) => since + ((x - left) / wide) * (until - since));
      const apart = now[1] - now[0];
      if (Math.abs(apart) < FAR) return;
      const each = Math.abs((at[1] - at[0]) / apart);
      const from = (at[0] + at[1]) / 2 - ((now[0] + now[1]) / 2 - left) * each;
      read(null);
      go(from, from + each * wide);
    }
    const up = (event) => {
      if (!fingers.delete(event.pointerId) || !start) return;
      const end = utc(event), mouse = event.pointerType === "mouse";
      for (const { u: one } of charts.values()) one.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
      if (event.type === "pointercancel" || fingers.size) return;
      if (mouse && start.moved && !start.panned) return void (read(null), go(Math.min(start.utc, end), Math.max(start.utc, end)));
      if (start.moved || start.fingers.length > 1) return;
      if (event.timeStamp - tapped < DOUBLE) return void ((tapped = 0), read(null), back());
      tapped = event.timeStamp;
    };
    u.over.addEventListener("pointerup", up);
    u.over.addEventListener("pointercancel", up);
    u.over.addEventListener("pointerleave", (event) => event.pointerType === "mouse" && !fingers.size && read(null));
    // the wheel scrolls the page, until somebody is at a strip
    u.over.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== box) return;
      event.preventDefault();
      if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) pan(event.deltaX / 1000);
      else zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 300))), utc(event));
    }, { passive: false });

    box.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const step = (span[1] - span[0]) / 100, at = picked === null ? (span[0] + span[1]) / 2 : picked;
      const does = {
        ArrowLeft: () => (event.shiftKey ? read(Math.max(span[0], at - step), line) : pan(-0.25)),
        ArrowRight: () => (event.shiftKey ? read(Math.min(span[1] - 1, at + step), line) : pan(0.25)),
        "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), Escape: back,
      }[event.key];
      if (!does) return;
      event.preventDefault();
      does();
    });
  }

  // -- a way back, a picture ----------------------------------------------------------------------------------------------

  function offer() {
    const link = document.createElement("button");
    link.className = "to plain";
    link.type = "button";
    link.textContent = "As a picture (PNG)";
    link.addEventListener("click", async () => {
      try {
        const picture = new Image();
        picture.src = find("picture").href;
        await picture.decode();
        const canvas = Object.assign(document.createElement("canvas"), { width: 2 * picture.width, height: 2 * picture.height });
        canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
        const blob = await new Promise((done) => canvas.toBlob(done, "image/png"));
        const address = URL.createObjectURL(blob), out = Object.assign(document.createElement("a"), { href: address, download: "history.png" });
        out.click();
        setTimeout(() => URL.revokeObjectURL(address), 10000);
        note("The picture (" + canvas.width + " x " + canvas.height + ") was handed to your browser.");
      } catch {
        note("The picture could not be made. Take the SVG.");
      }
    });
    find("picture").after(link);
  }

  way.addEventListener("click", back);
  keep(document);
  links();
  offer();
  find("hands").hidden = false;
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => charts.forEach(({ u }) => u.redraw()));
  fetched(place.dataset.numbers)
    .then((answer) => answer.arrayBuffer())
    .then((buffer) => {
      take(buffer);
      place.dataset.shown = location.search;
    })
    .catch(() => note("The numbers for zooming did not come; the strips are as the daemon drew them."));
})();
