/* The traces: what has come, and when it is drawn. 31_painter.js draws it; 32_labels.js names it. */
"use strict";

(function (S) {
  const QUARTZ_C = 573;
  const CROWDED = 2400; // points in a line, twice a snapshot's: then a thinned snapshot is asked for
  const DRAW_MS = [500, 2000]; // at least, at most; in between, as often as a line grows by a pixel
  const BANDS = { climb: 0.06, peak: 0.14, burn_down: 0.06 }; // how strongly a stage tints its time

  let lines = []; // by probe: {t, c} as sent: seconds, °C or "!status"
  let painter = null;
  let under = [];
  let points = []; // spot readings, as they are drawn
  let draws = 0; // whole drawings so far
  let drawnAt = 0;
  let due = false;

  const temperature = (cell) => (typeof cell === "number" ? cell : null);
  const minutes = (s) => s / 60;
  const lastT = () => Math.max(0, ...lines.map((l) => (l.t.length ? l.t[l.t.length - 1] : 0)));
  const colourOf = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  /**
   * Functions that give what is drawn under the lines: lines {name, x, y, colour, width, dash} and bands
   * {name, x, low, high, fill}; x in minutes, heights as shown, null where they break.
   */
  S.underlays = [];

  S.setTraces = function (traces) {
    lines = traces.map((l) => ({ t: l.t.slice(), c: l.c.slice() }));
    S.redrawTraces();
  };

  /** Add an update's points; what is known already is left out. */
  S.addPoints = function (rigs) {
    for (const rig of rigs) {
      rig.cols.forEach((i, j) => {
        const line = lines[i];
        rig.t.forEach((t, n) => {
          const cell = rig.c[n][j];
          if (cell === `!${S.ABSENT}` && !rig.gap) return;
          if (line.t.length && t <= line.t[line.t.length - 1]) return;
          line.t.push(t);
          line.c.push(cell);
        });
      });
    }
    return Math.max(...lines.map((l) => l.t.length)) < CROWDED;
  };

  function ranges() {
    const end = minutes(lastT());
    const windowMin = S.windowS() === null ? null : S.windowS() / 60;
    const ahead = S.aheadMin(windowMin === null ? end : windowMin); // room for what is to come
    const x = windowMin === null ? [0, Math.max(10, end * 1.06, end + ahead)]
      : [end - windowMin, end + Math.max(windowMin * 0.04, ahead)];
    let top = Math.max(S.firing.target_c + 60, 700);
    for (const line of lines) for (const cell of line.c) if (typeof cell === "number" && cell + 30 > top) top = cell + 30;
    return { x, y: [S.shown(0), S.shown(Math.ceil(top / 50) * 50)] };
  }

  S.rulers = () => [
    { c: S.firing.target_c, label: "target", dash: "solid" },
    { c: S.firing.burnout_c, label: "burn-out", dash: "8px,5px" },
    { c: QUARTZ_C, label: "quartz", dash: "2px,4px" },
  ];

  /** The colour in which a zone's spot readings stand: that of one of its probes. */
  S.zoneColour = function (zone) {
    const i = S.probes.findIndex((p) => p.zone === zone && p.reads !== "coals");
    return i < 0 ? colourOf("--ink") : S.colour(i);
  };

  S.spots = () => S.events.filter((e) => e.kind === "spot").map((e) => (
    { t: e.t, c: e.data.temperature_c, zone: e.data.zone, colour: S.zoneColour(e.data.zone) }));

  function stages() {
    const found = S.events.filter((e) => e.kind === "stage");
    return found.map((e, n) => ({ tint: BANDS[e.data.stage] || 0, x0: minutes(e.t),
      x1: n + 1 < found.length ? minutes(found[n + 1].t) : Infinity })).filter((band) => band.tint > 0);
  }

  const rest = (line, from) => ({ x: line.t.slice(from).map(minutes), y: line.c.slice(from).map((cell) => S.shown(temperature(cell))) });

  /** Nothing can be drawn into a room that isn't shown; it is drawn when it is entered. */
  const shown = () => S.firing && document.body.dataset.room === "fire";

  /** Draw all anew with the glass's next picture: what asks for it in one go is drawn once. */
  S.redrawTraces = function () {
    if (due || !shown()) return;
    due = true;
    requestAnimationFrame(() => {
      due = false;
      if (shown()) drawAll();
    });
  };

  function drawAll() {
    painter ||= S.makePainter(document.getElementById("traces"));
    if (!painter.fit()) return; // no room yet
    under = S.underlays.flatMap((make) => make());
    painter.frame(ranges(), {
      stages: stages(),
      rulers: S.rulers().map((r) => ({ y: S.shown(r.c), dash: r.dash, width: r.label === "target" ? 2 : 1.5 })),
      marks: S.marks().map((m) => ({ x: minutes(m.t), loud: m.kind === "alarm" })),
      under,
    });
    lines.forEach((line, i) => painter.line(i, rest(line, 0), S.colour(i), S.dash(i)));
    points = S.spots().map((s) => ({ x: minutes(s.t), y: S.shown(s.c), colour: s.colour }));
    painter.spots(points);
    draws += 1;
    drawnAt = performance.now();
    if (draws === 1) performance.mark("traces drawn");
    S.placeLabels(painter.view, lines);
  }

  /** The panel may have another size: then all is drawn anew. */
  S.resizeTraces = function () {
    if (!painter || painter.outgrown()) S.redrawTraces();
  };

  function dueMs({ range, right, left }) {
    const pixelS = ((range.x[1] - range.x[0]) * 60) / Math.max(1, right - left);
    return Math.min(DRAW_MS[1], Math.max(DRAW_MS[0], (pixelS * 1000) / S.scale()));
  }

  /** Draw what has come, if it is time: drawing is what costs a tablet its battery. */
  S.drawWaiting = function () {
    if (!shown() || due || !draws || document.hidden) return;
    const { range } = painter.view;
    if (performance.now() - drawnAt < dueMs(painter.view)) return;
    if (lines.every((line, i) => line.t.length === painter.drawn[i].x.length)) return;
    const end = minutes(lastT());
    const hottest = Math.max(...lines.map((l) => S.shown(temperature(l.c[l.c.length - 1] ?? null)) ?? 0));
    if (end > range.x[1] || hottest > range.y[1]) {
      drawAll(); // seldom: the axis moves on by a stretch, not with every point
      return;
    }
    drawnAt = performance.now();
    lines.forEach((line, i) => painter.more(i, rest(line, painter.drawn[i].x.length)));
    S.placeLabels(painter.view, lines);
  };

  /** For tests: what the painter was given, and how often it began anew. */
  S.drawnTraces = () => (!draws ? null : {
    draws, view: painter.view, range: painter.view.range, under, points,
    lines: painter.drawn.map((line, i) => ({ name: S.probes[i].name, ...line })),
  });
})(window.Stokewatch);
