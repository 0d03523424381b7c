"use strict";
// Draws strips out of packed numbers (brinewatch/charting/planes.py says how they are packed).
const Strips = (() => {
  const FLAG = 0x0f, VALUE = 0x10, HELD = 0x20, EARLIER = 0x40, DOUBTED = 0x80, SUSPECT = 3, FAILED = 4;
  const FLAGS = { 2: "some not tested", 3: "some suspect", 4: "some failed", 9: "some missing" };
  const HEIGHT = 190, BAR = 6;

  function unpack(buffer) {
    const view = new DataView(buffer), size = view.getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, size)));
    let at = 4 + size;
    const count = head.count;
    for (const strip of head.strips) {
      strip.state = new Uint8Array(buffer, at, count);
      at += count;
      const bytes = strip.wide ? 4 : 2;
      const [mean, below, above, unsure, earlier] = Array.from({ length: 5 }, () => {
        const plane = new Int32Array(count);
        let sum = 0;
        for (let n = 0; n < count; n++, at += bytes) {
          sum += strip.wide ? view.getInt32(at, true) : view.getInt16(at, true);
          plane[n] = sum;
        }
        return plane;
      });
      Object.assign(strip, { mean, unsure, earlier, low: mean.map((m, n) => m - below[n]), high: mean.map((m, n) => m + above[n]) });
    }
    head.edges = [head.since];
    for (let n = 1; n < count; n++) head.edges.push(head.first + (n - 1) * head.step);
    head.edges.push(head.until);
    return head;
  }

  // A whole number of tenths of the last decimal, as the page itself would say the value: halves go to the even digit.
  function said(strip, tenths) {
    let whole = Math.trunc(tenths / 10);
    const rest = Math.abs(tenths % 10);
    if (rest > 5 || (rest === 5 && whole % 2)) whole += Math.sign(tenths);
    if (strip.states && strip.states[whole] !== undefined) return strip.states[whole];
    const text = (Math.abs(whole) / 10 ** strip.decimals).toFixed(strip.decimals);
    return (whole < 0 ? "-" : "") + text;
  }

  const withUnit = (strip, text) =>
    strip.states || strip.unit === "" ? text : strip.unit === "pH" ? "pH " + text : text + " " + strip.unit;

  // Everything known of one stretch, in words.
  function words(head, strip, n) {
    const state = strip.state[n], parts = [];
    if (!(state & VALUE)) parts.push(state & FLAG ? "no usable reading" : "nothing known");
    else {
      const spread = strip.unsure[n] && !strip.states ? " ± " + Number((strip.unsure[n] / 10 ** (strip.decimals + 2)).toPrecision(2)) : "";
      parts.push(withUnit(strip, said(strip, strip.mean[n]) + spread));
      const [low, high] = [said(strip, strip.low[n]), said(strip, strip.high[n])];
      if (low !== high) parts.push(low + " to " + high);
      if (state & DOUBTED) parts.push("suspect");
      else if (FLAGS[state & FLAG]) parts.push(FLAGS[state & FLAG]);
    }
    if (state & EARLIER) parts.push(head.against + ": " + withUnit(strip, said(strip, strip.earlier[n])));
    const [begin, end] = [head.edges[n], head.edges[n + 1]], slack = Math.max(end - begin, (head.until - head.since) / 120) / 2;
    for (const [from, to, what] of strip.alarms) if (from < end && to > begin) parts.push(what);
    for (const [utc, what] of strip.marks) if (Math.abs(utc - (begin + end) / 2) <= slack) parts.push(what);
    return parts.join(", ");
  }

  // Times as the shed's own clock says them, whatever the clock of who looks.
  function clock(zone) {
    const forms = new Map();
    return (utc, shape) => {
      const key = JSON.stringify(shape);
      if (!forms.has(key)) forms.set(key, new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", ...shape }));
      return forms.get(key).format(new Date(utc * 1000));
    };
  }
  const DAY = { day: "numeric", month: "short" }, MINUTE = { hour: "2-digit", minute: "2-digit" };
  const SECOND = { ...MINUTE, second: "2-digit" };

  function when(head, tell, n) {
    const utc = head.edges[n], year = head.until - head.since > 200 * 86400 ? { year: "numeric" } : {};
    return tell(utc, { ...DAY, ...year, ...(head.step < 60 ? SECOND : MINUTE) }).replace(",", "");
  }

  function ticks(tell, splits, step) {
    return splits.map((utc) => {
      const midnight = tell(utc, SECOND) === "00:00:00";
      if (step < 60) return tell(utc, SECOND);
      if (step < 86400) return midnight ? tell(utc, DAY) : tell(utc, MINUTE);
      if (step < 28 * 86400) return tell(utc, DAY);
      const month = tell(utc, { month: "short" });
      return month === "Jan" || step > 300 * 86400 ? tell(utc, { year: "numeric" }) : month;
    });
  }

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();

  // One chart in an element. Returns the uPlot with `show(head, strip)`.
  function chart(where, head, strip) {
    let tell = clock(head.zone);
    const data = (h, s) => [h.edges.slice(0, -1).map((edge, n) => (edge + h.edges[n + 1]) / 2), Array.from(s.mean)];
    const soft = () => colour("soft"), faint = () => colour("faint"), font = "12px system-ui, sans-serif";
    const none = () => null, deaf = {};
    for (const event of ["mousedown", "mouseup", "click", "dblclick", "mousemove", "mouseleave", "mouseenter"]) deaf[event] = none;

    const u = new uPlot({
      width: where.clientWidth || 320, height: HEIGHT, legend: { show: false },
      tzDate: (utc) => uPlot.tzDate(new Date(utc * 1000), head.zone),
      cursor: { y: false, points: { show: false }, drag: { x: false, y: false }, bind: deaf },
      scales: { x: { range: (_, low, high) => [low, high] }, y: { range: () => reach(strip) } },
      series: [{}, { paths: none, points: { show: false } }],
      axes: [
        { stroke: soft, font, size: 30, gap: 2, space: 62, grid: { stroke: faint, width: 1 }, ticks: { show: false },
          values: (_, splits, axis, space, step) => ticks(tell, splits, step) },
        { stroke: soft, font, size: 50, gap: 4, space: 34, grid: { show: false }, ticks: { show: false },
          values: (_, splits) => splits.map((one) => (strip.states ? strip.states[one] ?? "" : one.toFixed(strip.decimals))) },
      ],
      hooks: { drawClear: [(me) => behind(me, head, strip)], draw: [(me) => before(me, head, strip)] },
    }, data(head, strip), where);

    u.show = (newHead, newStrip) => {
      [head, strip] = [newHead, newStrip];
      tell = clock(head.zone);
      u.setData(data(head, strip), false);
    };
    u.at = (utc) => {
      const edges = head.edges;
      if (!(utc >= edges[0] && utc < edges[edges.length - 1])) return "";
      let low = 0, high = edges.length - 1;
      while (high - low > 1) edges[(low + high) >> 1] <= utc ? (low = (low + high) >> 1) : (high = (low + high) >> 1);
      return when(head, tell, low) + ": " + words(head, strip, low);
    };
    return u;
  }

  function reach(strip) {
    const room = (strip.high_end - strip.low_end) * 0.12;
    return [strip.low_end - room, strip.high_end + room];
  }

  // What lies under the trace: nights, and where limits are passed.
  function behind(u, head, strip) {
    const { ctx, bbox } = u, x = (utc) => u.valToPos(utc, "x", true);
    clipped(u, () => {
      ctx.fillStyle = colour("faint");
      ctx.globalAlpha = 0.45;
      for (const [begin, end] of head.nights) ctx.fillRect(x(begin), bbox.top, x(end) - x(begin), bbox.height);
      ctx.fillStyle = colour("warning");
      ctx.globalAlpha = 0.09;
      for (const [begin, end, value, side] of strip.limits) {
        const y = u.valToPos(value, "y", true), foot = bbox.top + bbox.height;
        ctx.fillRect(x(begin), side === "min" ? y : bbox.top, x(end) - x(begin), side === "min" ? foot - y : y - bbox.top);
      }
    });
  }

  function before(u, head, strip) {
    const { ctx, bbox } = u, r = uPlot.pxRatio, ink = colour("ink"), scale = 10 ** (strip.decimals + 1);
    const x = (utc) => u.valToPos(utc, "x", true), y = (value) => u.valToPos(value, "y", true);
    // whole pixels, or neighbours would show a seam
    const edge = head.edges.map((utc) => Math.round(x(utc))), foot = bbox.top + bbox.height;
    const each = (wanted, draw) => {
      for (let n = 0; n < head.count; n++)
        if (wanted(strip.state[n]) && edge[n + 1] >= bbox.left && edge[n] <= bbox.left + bbox.width) draw(n, edge[n], edge[n + 1]);
    };
    const is = (bit) => (state) => state & bit;
    const line = (bit, plane) => {
      let last = -1;
      ctx.beginPath();
      each(is(bit), (n, left, right) => {
        const level = y(plane[n] / scale);
        n === last + 1 && last >= 0 ? ctx.lineTo(left, level) : ctx.moveTo(left, level);
        ctx.lineTo(right, level);
        last = n;
      });
      ctx.stroke();
    };
    clipped(u, () => {
      ctx.fillStyle = soft();
      ctx.globalAlpha = 0.22;
      each(is(VALUE), (n, left, right) => {
        const more = strip.unsure[n] / (scale * 10);
        if (more) ctx.fillRect(left, y(strip.high[n] / scale + more), right - left, y(strip.low[n] / scale - more) - y(strip.high[n] / scale + more));
      });
      ctx.globalAlpha = 1;
      ctx.strokeStyle = soft();
      ctx.lineWidth = r;
      line(EARLIER, strip.earlier);
      const good = (state) => state & VALUE && !(state & DOUBTED);
      const speck = (state) => [SUSPECT, FAILED].includes(state & FLAG) && !(state & (DOUBTED | HELD));
      ctx.fillStyle = ctx.strokeStyle = ink;
      ctx.globalAlpha = 0.45;
      each(good, (n, left, right) => {
        const top = y(strip.high[n] / scale), bottom = y(strip.low[n] / scale);
        ctx.fillRect(left, top, Math.max(right - left, 1), bottom - top);
      });
      ctx.globalAlpha = 1;
      ctx.lineWidth = 1.6 * r;
      line(VALUE, strip.mean);
      // hollow: paper inside, ink around
      ctx.lineWidth = 1.2 * r;
      each(is(DOUBTED), (n, left, right) => {
        const middle = (left + right) / 2, wide = Math.max(right - left, 6 * r);
        const top = y(strip.high[n] / scale) - 2.5 * r, tall = y(strip.low[n] / scale) + 2.5 * r - top;
        ctx.fillStyle = colour("paper");
        ctx.fillRect(middle - wide / 2, top, wide, tall);
        ctx.strokeRect(middle - wide / 2, top, wide, tall);
      });
      let free = 0;
      each(speck, (n, left, right) => {
        const middle = (left + right) / 2;
        if (middle < free) return;
        ctx.strokeRect(middle - 2 * r, bbox.top + 1.5 * r, 4 * r, 4 * r);
        free = middle + 8 * r;
      });
      ctx.lineWidth = 1.2 * r;
      ctx.strokeStyle = ctx.fillStyle = colour("warning");
      ctx.font = 12 * r + "px system-ui, sans-serif";
      ctx.textAlign = "right";
      const taken = [];
      for (const [begin, end, value, side, what] of strip.limits) {
        const level = y(value);
        ctx.setLineDash([5 * r, 3 * r]);
        ctx.beginPath();
        ctx.moveTo(x(begin), level);
        ctx.lineTo(x(end), level);
        ctx.stroke();
        ctx.setLineDash([]);
        const line = level - 4 * r < bbox.top + 12 * r ? level + 13 * r : level - 4 * r;
        if (taken.every((other) => Math.abs(other - line) > 13 * r)) {
          const spot = [what, Math.min(x(end), bbox.left + bbox.width) - 3 * r, line];
          ctx.strokeStyle = colour("paper");
          ctx.lineWidth = 4 * r;
          ctx.strokeText(...spot);
          ctx.fillText(...spot);
          ctx.strokeStyle = ctx.fillStyle;
          ctx.lineWidth = 1.2 * r;
          taken.push(line);
        }
      }
      for (const [begin, end] of strip.alarms) {
        const left = x(begin), wide = Math.max(x(end) - left, 2 * r);
        ctx.fillStyle = colour("danger");
        ctx.globalAlpha = 0.1;
        ctx.fillRect(left, bbox.top, wide, bbox.height);
        ctx.globalAlpha = 1;
        ctx.fillRect(left, foot - BAR * r, wide, BAR * r);
      }
      ctx.fillStyle = ink;
      for (const [utc, , kind] of strip.marks) {
        const middle = x(utc), [left, right, top, half, low] = [middle - 5 * r, middle + 5 * r, foot - 11 * r, foot - 6 * r, foot - r];
        ctx.beginPath();
        if (kind === "entered") ctx.arc(middle, half, 4.5 * r, 0, 7);
        else if (kind === "calibration") [[middle, top], [right, half], [middle, low], [left, half]].forEach((at) => ctx.lineTo(...at));
        else [[middle, top], [left, low], [right, low]].forEach((at) => ctx.lineTo(...at));
        ctx.fill();
      }
    });
    ctx.fillStyle = soft();
    ctx.fillRect(bbox.left, foot, bbox.width, r);
  }

  function soft() {
    return colour("soft");
  }

  function clipped(u, draw) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    draw();
    ctx.restore();
  }

  return { unpack, said, words, chart };
})();
