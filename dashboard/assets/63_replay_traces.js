/* The replay's traces: the whole firing, what is still to come under a veil, notes and alarms where they were. */
"use strict";

(function (S) {
  const R = S.replay;
  const QUARTZ_C = 573;
  let plot = null; // {x(t), y(c), left, right, top, bottom, veil, cursor, dots}

  R.timeAt = (px) => ((px - plot.left) / (plot.right - plot.left)) * R.length;

  /** A line's number and name, as at its end. */
  function nameOf(i) {
    const { name } = R.probes[i];
    return `${R.number(i)} ${name.length > 15 ? `${name.slice(0, 14)}…` : name}`;
  }

  R.drawTraces = function () {
    const holder = R.$("traces");
    const { clientWidth: width, clientHeight: height } = holder;
    if (!width || !height) return;
    const narrow = width < 480;
    const { firing, traces } = R.told;
    const left = 52;
    const longest = Math.max(4, ...R.probes.map((probe, i) => nameOf(i).length));
    const right = width - (narrow ? 30 : Math.min(182, 18 + 10.5 * longest));
    const top = 46;
    const bottom = height - 30;
    const hottest = Math.max(0, ...traces.map((l) => Math.max(0, ...l.c.filter((c) => c !== null))));
    const mostC = Math.ceil((Math.max(firing.target_c + 60, 700, hottest + 30)) / 50) * 50;
    const lowest = S.shown(0);
    const x = (t) => left + (t / Math.max(1, R.length)) * (right - left);
    const y = (c) => bottom - ((S.shown(c) - lowest) / (S.shown(mostC) - lowest)) * (bottom - top);
    const root = S.svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img",
      "aria-label": `Traces of ${R.probes.length} probes over ${S.span(R.length)}` });
    plot = { x, y, left, right, top, bottom, root };
    axes(root, mostC, narrow);
    if (S.choices.bands === "on") root.append(bands());
    const lines = S.svg("g", { class: "r-lines" });
    traces.forEach((line, i) => lines.append(S.svg("path", { d: path(line), stroke: S.colour(i),
      "stroke-dasharray": S.dash(i) === "solid" ? "none" : S.dash(i).replaceAll("px", "") })));
    root.append(lines, S.svg("g", { class: "r-marks" }));
    plot.veil = S.svg("rect", { class: "r-veil", y: top, height: bottom - top });
    plot.cursor = S.svg("line", { class: "r-cursor", y1: top - 6, y2: bottom });
    plot.come = S.svg("g", { class: "r-come" });
    plot.dots = R.probes.map((_, i) => S.svg("circle", { r: 5, class: "r-dot", stroke: S.colour(i) }));
    root.append(plot.veil, plot.come, plot.cursor, ...plot.dots);
    ends(root, narrow);
    holder.replaceChildren(root);
    R.$("scrub").style.marginLeft = `${left - 12}px`;
    R.$("scrub").style.width = `${right - left + 24}px`;
    R.drawMarks();
  };

  function path(line) {
    const parts = [];
    let pen = "M";
    line.t.forEach((t, n) => {
      if (line.c[n] === null) {
        pen = "M";
        return;
      }
      parts.push(`${pen}${plot.x(t).toFixed(1)},${plot.y(line.c[n]).toFixed(1)}`);
      pen = "L";
    });
    return parts.join("");
  }

  const outline = (points) => points.map(([t, c], n) => `${n ? "L" : "M"}${plot.x(t).toFixed(1)},${plot.y(c).toFixed(1)}`).join("");

  /** What the pots themselves were estimated to be at, as it was said beside the fire. */
  function bands() {
    const group = S.svg("g", { class: "r-pots" });
    for (const [zone, line] of Object.entries(R.told.estimates)) {
      const parts = S.stretches(line, -1, 1).map((part) => `${outline([
        ...part.map((n) => [line.t[n], line.hi[n]]), ...part.slice().reverse().map((n) => [line.t[n], line.lo[n]])])}Z`);
      const path = S.svg("path", { d: parts.join(""), fill: S.veil(S.potsColour(zone, R.probes)) });
      path.dataset.zone = zone;
      group.append(path);
    }
    return group;
  }

  /** What was to come of the coldest zone at this moment, if nothing was added, over what came in truth. */
  R.drawForecast = function () {
    if (!plot) return;
    const made = R.judged ? R.judged.moments.forecasts.filter((f) => f.t_s <= R.t + 0.01).pop() : null;
    if (plot.drawnForecast === made) return;
    plot.drawnForecast = made;
    if (!made || !made.zone) {
      plot.come.replaceChildren();
      return;
    }
    const points = S.cutForecast(made, S.furthestMin(R.t / 60)).filter((p) => p.min * 60 <= R.length);
    const line = (key) => points.map((p) => [p.min * 60, p[key]]);
    const colour = S.potsColour(made.zone, R.probes);
    const stroke = (key, name) => S.svg("path", { d: outline(line(key)), class: name, stroke: colour });
    plot.come.replaceChildren(
      S.svg("path", { d: `${outline([...line("high"), ...line("low").reverse()])}Z`, class: "r-between", fill: `${colour}1f` }),
      stroke("low", "r-edge"), stroke("high", "r-edge"), stroke("middle", "r-middle"), condition(made.zone, points, colour));
    plot.come.dataset.zone = made.zone;
  };

  function condition(zone, points, fill) {
    const text = `${zone}, as it is going`;
    const end = points.length ? plot.x(points[points.length - 1].min * 60) : plot.left;
    const room = end - text.length * 8 > plot.left;
    return S.svg("text", { x: room ? end - 4 : plot.left + 6, y: plot.bottom - 9, fill, "text-anchor": room ? "end" : "start" }, text);
  }

  function axes(root, mostC, narrow) {
    const { left, right, top, bottom, x } = plot;
    const high = S.shown(mostC);
    const toC = (shown) => (S.isFahrenheit() ? (shown - 32) / 1.8 : shown);
    const step = [100, 200, 250, 500].find((s) => ((high / s) * 22 < bottom - top)) || 500;
    for (let v = Math.ceil(S.shown(0) / step) * step; v <= high; v += step) {
      root.append(S.svg("line", { class: "r-grid", x1: left, x2: right, y1: plot.y(toC(v)), y2: plot.y(toC(v)) }),
        S.svg("text", { class: "height", x: left - 7, y: plot.y(toC(v)) + 5.5 }, v));
    }
    root.append(S.svg("text", { class: "height", x: left - 7, y: top - 12 }, S.unit()));
    const minutes = R.length / 60;
    const every = [0.5, 1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 720].find((m) => minutes / m <= (narrow ? 4 : 8)) || 1440;
    for (let m = 0; m <= minutes + 1e-6; m += every) {
      root.append(S.svg("line", { class: "tick", x1: x(m * 60), x2: x(m * 60), y1: bottom, y2: bottom + 6 }),
        S.svg("text", { class: "height middle", x: x(m * 60), y: bottom + 23 }, `${m}${m === 0 ? " min" : ""}`));
    }
    root.append(S.svg("path", { class: "r-frame", d: `M${left},${top} L${left},${bottom} L${right},${bottom}` }));
    const { firing } = R.told;
    const taken = [];
    for (const [c, label, dash] of [[firing.target_c, "target", "none"], [firing.burnout_c, "burn-out", "8 5"], [QUARTZ_C, "quartz", "2 4"]]) {
      const at = plot.y(c);
      const words = `${label} ${S.degrees(c)}°`;
      // Above its line, or under it, or above it further along: never over another ruler's words.
      const clear = (y) => taken.every((box) => Math.abs(box.y - y) >= 19);
      const y = [at - 6, at + 17].find(clear) ?? at - 6;
      const along = clear(y) ? left + 8 : Math.max(...taken.map((box) => box.end)) + 16;
      taken.push({ y, end: along + words.length * 8.5 });
      root.append(S.svg("line", { class: "r-ruler", x1: left, x2: right, y1: at, y2: at, "stroke-dasharray": dash }),
        S.svg("text", { class: "r-rulerword", x: along, y }, words));
    }
  }

  /* A line's number and name where it ends, a line's height apart. */
  function ends(root, narrow) {
    const wanted = R.told.traces.map((line, i) => {
      let n = line.c.length - 1;
      while (n >= 0 && line.c[n] === null) n -= 1;
      return n < 0 ? null : { i, y: plot.y(line.c[n]) };
    }).filter(Boolean).sort((a, b) => a.y - b.y);
    const apart = Math.min(21, (plot.bottom - plot.top) / Math.max(1, wanted.length));
    wanted.forEach((w, k) => { w.at = Math.max(w.y, k ? wanted[k - 1].at + apart : plot.top); });
    for (let k = wanted.length - 1, end = plot.bottom; k >= 0; k -= 1) {
      wanted[k].at = Math.min(wanted[k].at, end);
      end = wanted[k].at - apart;
    }
    for (const w of wanted) {
      const text = narrow ? R.number(w.i) : nameOf(w.i);
      root.append(S.svg("text", { class: "r-end", x: plot.right + 8, y: w.at + 5, fill: S.colour(w.i) }, text));
    }
  }

  /** Stages above, alarms as long as they stood, notes and spot readings: all again when it has been judged. */
  R.drawMarks = function () {
    if (!plot) return;
    const group = plot.root.querySelector(".r-marks");
    const parts = [];
    const { x, y, top, bottom } = plot;
    const stages = R.stages();
    stages.forEach((stage, n) => {
      const from = x(stage.t);
      const to = x(n + 1 < stages.length ? stages[n + 1].t : R.length);
      parts.push(S.svg("line", { class: "r-stage", x1: from, x2: from, y1: 4, y2: top - 6 }));
      if (to - from > stage.short.length * 9 + 8) parts.push(S.svg("text", { class: "r-stageword", x: from + 5, y: 18 }, stage.short));
    });
    for (const alarm of R.alarms()) {
      const from = x(alarm.raised_s);
      const to = x(alarm.cleared_s ?? R.length);
      const kind = alarm.warning ? "alarm" : "good";
      if (alarm.warning) parts.push(S.svg("rect", { class: "r-stood", x: from, y: top - 18, width: Math.max(2, to - from), height: 7 }));
      parts.push(
        alarm.warning ? S.svg("path", { class: "r-flag alarm", d: `M${from},${top - 6} l-6,-12 l12,0 Z` })
          : S.svg("circle", { class: "r-flag good", cx: from, cy: top - 12, r: 5 }),
        S.svg("line", { class: `r-at ${kind}`, x1: from, x2: from, y1: top - 6, y2: bottom }));
    }
    for (const event of R.told.events) {
      if (event.kind === "note") {
        parts.push(S.svg("line", { class: "r-at", x1: x(event.t), x2: x(event.t), y1: top - 6, y2: bottom }),
          S.svg("rect", { class: "r-note", x: x(event.t) - 5, y: top - 16, width: 10, height: 10 }));
      } else if (event.kind === "spot" && typeof event.data.temperature_c === "number") {
        parts.push(S.svg("path", { class: "r-spot", d: `M${x(event.t)},${y(event.data.temperature_c) - 7} l7,7 l-7,7 l-7,-7 Z` }));
      }
    }
    group.replaceChildren(...parts);
  };

  R.moveCursor = function () {
    if (!plot) return;
    R.drawForecast();
    const at = plot.x(R.t);
    plot.veil.setAttribute("x", at);
    plot.veil.setAttribute("width", Math.max(0, plot.right - at));
    plot.cursor.setAttribute("x1", at);
    plot.cursor.setAttribute("x2", at);
    R.probes.forEach((_, i) => {
      const c = R.currentC(i);
      plot.dots[i].style.display = c === null ? "none" : "";
      if (c === null) return;
      plot.dots[i].setAttribute("cx", at);
      plot.dots[i].setAttribute("cy", plot.y(c));
    });
  };
})(window.Stokewatch);
