/* The section of the stack: pots over coals, each probe at its height, coloured by heat. */
"use strict";

(function (S) {
  const JAR = "M-9,-20 L9,-20 L7,-15 C17,-10 20,4 13,14 C9,19 -9,19 -13,14 C-20,4 -17,-10 -7,-15 Z";
  const JAR_WIDTH = 36; // of the drawing above
  const JAR_HEIGHT = 39;

  /** Value of the stack at a height, between the probes that have a reading there. */
  function heatAt(points, heightCm) {
    if (!points.length) return null;
    let below = null;
    let above = null;
    for (const p of points) {
      if (p.h <= heightCm && (!below || p.h >= below.h)) below = p;
      if (p.h >= heightCm && (!above || p.h <= above.h)) above = p;
    }
    if (!below) return above.c;
    if (!above || above.h === below.h) return below.c;
    return below.c + ((heightCm - below.h) / (above.h - below.h)) * (above.c - below.c);
  }

  /**
   * Draw it all anew; a few dozen shapes.
   * box: {width, height, stackWidth, rows: [{i, y}] | null} in pixels of the panel.
   * view: whose probes, and what they read: {probes, currentC(i), number(i)}.
   */
  S.drawSection = function (holder, box, view = S) {
    const { width, height, stackWidth } = box;
    const root = S.svg("svg", { width, height, viewBox: `0 0 ${width} ${height}` });
    const { probes } = view;
    const placed = probes.map((p, i) => ({ i, h: p.height_cm, probe: p })).filter((p) => p.h !== null);
    const top = Math.max(40, ...placed.map((p) => p.h)) * 1.08;
    const bottom = Math.min(0, ...placed.map((p) => p.h));
    // A pile is seldom much higher than broad; what room is left is mostly sky.
    const slack = Math.max(0, height - 78 - stackWidth * 1.5);
    const ground = height - 44 - slack * 0.3;
    const ceiling = 34 + slack * 0.7;
    const y = (h) => ground - 16 - ((h - bottom) / (top - bottom)) * (ground - 16 - ceiling);
    const left = 44; // the ruler's
    const middle = left + (stackWidth - left) / 2;
    const half = (stackWidth - left) / 2 - 8;
    const warm = placed.map((p) => ({ h: p.h, c: view.currentC(p.i), reads: p.probe.reads })).filter((p) => p.c !== null);

    if (placed.length) ruler(root, { y, top, bottom, left });
    wood(root, { middle, half, ground, y, top });
    pots(root, { middle, half, y, top, bottom, warm: warm.filter((p) => p.reads !== "coals"), all: warm });
    coals(root, { middle, half, ground, warm, stackWidth });

    const near = (a, b) => Math.hypot(a.x - b.x, a.y - b.y) < 27;
    placed.forEach((p, n) => {
      // In the middle if there is room, else beside: numbers must not cover one another.
      p.y = y(p.h);
      for (const aside of [0, -28, 28, -56, 56, -84, 84]) {
        p.x = middle + Math.max(-half, Math.min(half, aside));
        if (!placed.slice(0, n).some((q) => near(p, q))) break;
      }
    });
    const loose = probes.length - placed.length;
    if (loose) {
      const words = placed.length ? `${loose} without a height` : "no heights given";
      root.append(S.svg("text", { x: middle, y: ground + 28, class: "height middle" }, words));
    }
    if (box.rows) leaders(root, placed, box);
    for (const p of placed) dot(root, p, view);
    holder.replaceChildren(root);
  };

  function ruler(root, { y, top, bottom, left }) {
    const step = [5, 10, 20, 25, 50, 100].find((s) => (top - bottom) / s <= 7) || 200;
    for (let h = Math.ceil(bottom / step) * step; h <= top; h += step) {
      root.append(S.svg("line", { x1: left - 10, x2: left - 2, y1: y(h), y2: y(h), class: "tick" }));
      root.append(S.svg("text", { x: left - 13, y: y(h) + 5.5, class: "height" }, h));
    }
    root.append(S.svg("text", { x: left - 13, y: y(top) - 14, class: "height" }, "cm"));
  }

  function wood(root, { middle, half, ground, y, top }) {
    for (const side of [-1, 1]) {
      for (let n = 0; n < 5; n += 1) {
        const foot = middle + side * (half - n * 5);
        const head = middle + side * (half * (0.16 + 0.07 * n));
        root.append(S.svg("line", { x1: foot, y1: ground - 2, x2: head, y2: y(top * (0.98 - 0.15 * n)), class: `wood w${n % 3}` }));
      }
    }
  }

  function pots(root, { middle, half, y, top, bottom, warm, all }) {
    const tall = (y(bottom) - y(top)) * 0.94;
    const broad = half * 1.75;
    const size = Math.min(tall / 4.2 / JAR_HEIGHT, broad / 3.05 / JAR_WIDTH);
    const rows = Math.max(1, Math.round(tall / (JAR_HEIGHT * size * 0.9)));
    const points = warm.length ? warm : all;
    for (let row = rows - 1; row >= 0; row -= 1) {
      const share = rows > 1 ? row / (rows - 1) : 0;
      const most = Math.max(1, Math.floor(broad / (JAR_WIDTH * size)));
      const count = Math.max(1, Math.round(most * (1 - 0.75 * share)) - (row % 2 && most > 2 ? 1 : 0));
      const centre = y(bottom) - JAR_HEIGHT * size * (0.5 + row * 0.9);
      const h = bottom + ((y(bottom) - centre) / (y(bottom) - y(top))) * (top - bottom);
      for (let n = 0; n < count; n += 1) {
        const turn = ((row * 5 + n * 7) % 5) * 6 - 12; // mouths turned a little, as they come to lie
        const x = middle + (n - (count - 1) / 2) * JAR_WIDTH * size * 1.02;
        root.append(S.svg("path", {
          d: JAR, class: "pot", fill: S.heat(heatAt(points, h)),
          transform: `translate(${x} ${centre}) rotate(${turn}) scale(${size})`,
        }));
      }
    }
  }

  function coals(root, { middle, half, ground, warm, stackWidth }) {
    const bed = warm.filter((p) => p.reads === "coals");
    const lowest = warm.length ? warm.reduce((a, b) => (a.h < b.h ? a : b)).c : null;
    const c = bed.length ? bed.reduce((sum, p) => sum + p.c, 0) / bed.length : lowest;
    root.append(S.svg("path", { class: "earth", d: `M0,${ground + 4} Q${middle},${ground - 3} ${stackWidth},${ground + 4}` }));
    for (let n = 0; n < 22; n += 1) {
      const x = middle - half + (n / 21) * 2 * half;
      const lift = ((n * 7) % 5) * 1.6;
      // Coals are never all the same: the darker ones have ash on them.
      const own = c === null ? null : c - ((n * 5) % 4) * 45;
      root.append(S.svg("ellipse", { cx: x, cy: ground - 4 - lift, rx: 7.5, ry: 5, class: "coal", fill: S.heat(own),
        transform: `rotate(${(n * 37) % 40 - 20} ${x} ${ground - 4})` }));
    }
  }

  function leaders(root, points, box) {
    for (const p of points) {
      const row = box.rows.find((r) => r.i === p.i);
      if (!row) continue;
      const turn = box.stackWidth + 4;
      root.append(S.svg("path", { class: "leader", d: `M${p.x},${p.y} L${turn},${row.y} L${turn + 10},${row.y}` }));
    }
  }

  function dot(root, p, view) {
    const c = view.currentC(p.i);
    const group = S.svg("g", { class: c === null ? "probe none" : "probe", transform: `translate(${p.x} ${p.y})` });
    group.append(S.svg("circle", { r: 12.5, stroke: S.colour(p.i) }));
    group.append(S.svg("text", { y: 5.5 }, view.number(p.i)));
    root.append(group);
  }
})(window.Stokewatch);
