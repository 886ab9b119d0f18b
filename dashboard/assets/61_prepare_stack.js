/* The stack before it is lit, in section: cold pots over a bed that waits; each probe where it is planned to be. */
"use strict";

(function (S) {
  const P = S.prepare;
  const JAR = "M-9,-20 L9,-20 L7,-15 C17,-10 20,4 13,14 C9,19 -9,19 -13,14 C-20,4 -17,-10 -7,-15 Z";
  const SIDES = ["windward", "centre", "leeward"];
  const TALLEST_CM = 1000;
  let holder = null;
  let dragged = null; // {i, moved, from}
  let pressed = null; // where a tap began, beside the probes
  let box = null;

  P.sides = [...SIDES, "front", "back"];

  const places = () => P.doc.probe.map((probe, i) => ({ i, probe, h: probe.height_cm ?? null }));
  const placed = () => places().filter((p) => typeof p.h === "number");

  /** Numbered from the top of the stack down, as beside the fire; those without a height last. */
  P.numbers = function () {
    const numbers = [];
    places().sort((a, b) => (b.h ?? -1e9) - (a.h ?? -1e9) || a.i - b.i).forEach((p, n) => { numbers[p.i] = n + 1; });
    return numbers;
  };

  function measure() {
    const width = holder.clientWidth;
    const height = holder.clientHeight;
    const highest = Math.max(50, ...placed().map((p) => p.h));
    // While something is dragged the scale stands still.
    const top = dragged && box ? box.top : [60, 80, 100, 150, 200, 300, 500, TALLEST_CM].find((h) => h >= highest * 1.08) || TALLEST_CM;
    const bottom = Math.min(0, ...placed().map((p) => p.h));
    const ground = height - (loose().length ? 108 : 62);
    const left = 46;
    return { width, height, top, bottom, ground, left, ceiling: 26, middle: left + (width - left) / 2, half: (width - left) / 2 - 14 };
  }

  const loose = () => places().filter((p) => typeof p.h !== "number");
  const scale = () => (box.ground - 14 - box.ceiling) / (box.top - box.bottom);
  const yOf = (h) => box.ground - 14 - (h - box.bottom) * scale();
  const hOf = (y) => Math.round(box.bottom + (box.ground - 14 - y) / scale());
  const widthAt = (h) => box.half * (1 - 0.66 * Math.max(0, Math.min(1, h / box.top)));

  function sideShare(side) {
    const word = (side || "").toLowerCase();
    if (word.includes("windward") || word === "left") return -0.72;
    if (word.includes("leeward") || word === "right") return 0.72;
    if (word === "front") return -0.16;
    return word === "back" ? 0.16 : 0;
  }

  function sideAt(x, h, before) {
    const share = (x - box.middle) / widthAt(h);
    if (share < -0.42) return "windward";
    if (share > 0.42) return "leeward";
    return ["front", "back"].includes(before) ? before : "centre";
  }

  P.drawStack = function (into) {
    holder = into || holder;
    if (!holder || !holder.isConnected || holder.clientWidth < 80) return;
    box = measure();
    const focused = holder.contains(document.activeElement) ? document.activeElement.dataset.i : null;
    const root = S.svg("svg", { width: box.width, height: box.height, viewBox: `0 0 ${box.width} ${box.height}`,
      role: "group", "aria-label": "Section of the stack. Select a probe, then move it with the arrow keys." });
    ruler(root);
    air(root);
    heap(root);
    bed(root);
    const numbers = P.numbers();
    const taken = [];
    const there = placed().map((p) => {
      const at = spot(p, taken);
      taken.push(at);
      return { ...p, at };
    });
    zones(root, there);
    for (const p of there) disc(root, p, p.at, numbers[p.i]);
    const chosen = there.find((p) => p.i === P.selected);
    if (chosen) {
      const y = chosen.at.y < box.ceiling + 26 ? chosen.at.y + 32 : chosen.at.y - 21;
      root.append(S.svg("text", { class: "tag", x: chosen.at.x, y }, `${chosen.h} cm`));
    }
    tray(root, numbers);
    holder.replaceChildren(root);
    if (focused !== null) holder.querySelector(`g[data-i="${focused}"]`)?.focus({ preventScroll: true });
  };

  function spot(p, taken) {
    const y = yOf(p.h);
    const wanted = box.middle + sideShare(p.probe.side) * widthAt(p.h);
    for (const aside of [0, 30, -30, 60, -60, 90, -90]) {
      const x = Math.max(box.left + 14, Math.min(box.width - 16, wanted + aside));
      if (!taken.some((q) => Math.hypot(q.x - x, q.y - y) < 29)) return { x, y };
    }
    return { x: wanted, y };
  }

  function ruler(root) {
    const step = [5, 10, 20, 25, 50, 100, 200].find((s) => (box.top - box.bottom) / s <= 8) || 500;
    for (let h = Math.ceil(box.bottom / step) * step; h <= box.top; h += step) {
      root.append(S.svg("line", { x1: box.left - 10, x2: box.left - 2, y1: yOf(h), y2: yOf(h), class: "tick" }));
      root.append(S.svg("text", { x: box.left - 13, y: yOf(h) + 5.5, class: "height" }, h));
    }
    root.append(S.svg("text", { x: box.left - 13, y: 16, class: "height" }, "cm"));
  }

  /** Which side is which: the wind comes from the left. */
  function air(root) {
    for (const [y, from, to] of [[0.3, 0, 44], [0.36, 6, 36], [0.42, 0, 40]]) {
      const at = box.ceiling + y * (box.ground - box.ceiling) - 40;
      root.append(S.svg("path", { class: "wind", d: `M${box.left + 8 + from},${at} q${to / 2},-7 ${to},0` }));
    }
    const words = [["windward", -0.72], ["leeward", 0.72]];
    for (const [text, share] of words) {
      root.append(S.svg("text", { x: box.middle + share * box.half, y: box.ground + 26, class: "height middle" }, text));
    }
  }

  function heap(root) {
    for (const side of [-1, 1]) {
      for (let n = 0; n < 5; n += 1) {
        root.append(S.svg("line", { class: `wood w${n % 3}`, x1: box.middle + side * (box.half - n * 6), y1: box.ground - 2,
          x2: box.middle + side * box.half * (0.2 + 0.08 * n), y2: yOf(box.top * (0.96 - 0.13 * n)) }));
      }
    }
    const tall = yOf(0) - yOf(box.top);
    const size = Math.max(0.7, Math.min(tall / 205, box.half / 92));
    const rows = Math.max(2, Math.floor(tall / (35 * size)));
    for (let row = rows - 1; row >= 0; row -= 1) {
      const h = ((row + 0.5) / rows) * box.top * 0.97;
      const most = Math.max(1, Math.floor((widthAt(h) * 1.7) / (37 * size)));
      for (let n = 0; n < most; n += 1) {
        const turn = ((row * 5 + n * 7) % 5) * 6 - 12;
        const x = box.middle + (n - (most - 1) / 2) * 37 * size;
        root.append(S.svg("path", { d: JAR, class: "pot cold", transform: `translate(${x} ${yOf(h)}) rotate(${turn}) scale(${size})` }));
      }
    }
  }

  function bed(root) {
    root.append(S.svg("path", { class: "earth", d: `M4,${box.ground + 5} Q${box.middle},${box.ground - 3} ${box.width - 4},${box.ground + 5}` }));
    for (let n = 0; n < 24; n += 1) {
      const x = box.middle - box.half + (n / 23) * 2 * box.half;
      root.append(S.svg("ellipse", { class: "coal cold", cx: x, cy: box.ground - 4 - ((n * 7) % 5) * 1.6, rx: 8, ry: 5,
        transform: `rotate(${((n * 37) % 40) - 20} ${x} ${box.ground - 4})` }));
    }
  }

  /** What must get hot enough as one is bound together, and named where there is room. */
  function zones(root, there) {
    const named = [];
    for (const zone of new Set(there.map((p) => p.probe.zone))) {
      const own = there.filter((p) => p.probe.zone === zone).sort((a, b) => a.h - b.h);
      if (own.length > 1) {
        root.append(S.svg("path", { class: "bind", d: `M${own.map((p) => `${p.at.x},${p.at.y}`).join(" L")}` }));
      } else if (own[0].probe.zone === own[0].probe.name) continue; // nobody has made zones yet
      const y = own.reduce((sum, p) => sum + p.at.y, 0) / own.length;
      const right = Math.max(...own.map((p) => p.at.x)) + 20;
      const left = Math.min(...own.map((p) => p.at.x)) - 20;
      const room = zone.length * 9;
      const free = (x) => !named.some((q) => Math.abs(q.y - y) < 18 && Math.abs(q.x - x) < room)
        && !there.some((p) => Math.abs(p.at.y - y) < 22 && p.at.x > x - 14 && p.at.x < x + room + 14);
      const at = [right, left - room].find((x) => x > box.left && x + room < box.width && free(x));
      if (at === undefined) continue;
      named.push({ x: at, y });
      root.append(S.svg("text", { class: "zone-name", x: at, y: y + 5.5 }, zone));
    }
  }

  function disc(root, p, at, number) {
    const channel = P.channelOf(p.probe);
    const where = typeof p.h === "number" ? `${p.h} cm, ${p.probe.side || "no side"}` : "not placed";
    const group = S.svg("g", { class: "probe placed", transform: `translate(${at.x} ${at.y})`, tabindex: 0, role: "button", "data-i": p.i,
      "aria-label": `${number}, ${p.probe.name}: ${where}`, "aria-pressed": String(P.selected === p.i) });
    group.classList.toggle("selected", P.selected === p.i);
    group.classList.toggle("rising", Boolean(channel && channel.moving === "rising"));
    group.classList.toggle("falling", Boolean(channel && channel.moving === "falling"));
    group.append(S.svg("circle", { r: 22, class: "touch" }), S.svg("circle", { r: 13, stroke: S.colour(p.i) }), S.svg("text", { y: 5.5 }, number));
    group.addEventListener("keydown", (event) => onKey(event, p.i));
    root.append(group);
  }

  function tray(root, numbers) {
    const waiting = loose();
    if (!waiting.length) return;
    const y = box.height - 24;
    root.append(S.svg("text", { x: 6, y: y - 24, class: "height tray" }, "Not placed yet"));
    const gap = Math.min(44, (box.width - 40) / waiting.length);
    waiting.forEach((p, n) => disc(root, p, { x: 24 + n * gap, y }, numbers[p.i]));
  }

  // --- placing: drag it, or tap it and then its place; or the keys ---------------------------------------------------

  function point(event) {
    const seen = holder.getBoundingClientRect();
    return { x: event.clientX - seen.left, y: event.clientY - seen.top };
  }

  function put(i, at) {
    const probe = P.doc.probe[i];
    const h = Math.max(-200, Math.min(TALLEST_CM, hOf(Math.max(box.ceiling, at.y))));
    probe.height_cm = Math.max(h, Math.min(0, box.bottom));
    probe.side = sideAt(at.x, probe.height_cm, probe.side);
  }

  function onDown(event) {
    const group = event.target.closest("g[data-i]");
    if (group) {
      dragged = { i: Number(group.dataset.i), moved: false, from: point(event) };
      holder.setPointerCapture?.(event.pointerId);
      event.preventDefault();
      return;
    }
    pressed = P.selected === null ? null : point(event);
  }

  function onMove(event) {
    if (!dragged) return;
    const at = point(event);
    if (!dragged.moved && Math.hypot(at.x - dragged.from.x, at.y - dragged.from.y) < 7) return;
    dragged.moved = true;
    P.selected = dragged.i;
    put(dragged.i, at);
    P.drawStack();
  }

  function onUp(event) {
    const at = point(event);
    // A tap, and not the beginning of a scroll.
    const tapped = pressed && event.type === "pointerup" && Math.hypot(at.x - pressed.x, at.y - pressed.y) < 8 && at.y < box.ground + 8;
    pressed = null;
    if (tapped) {
      put(P.selected, at);
      P.placeChanged(P.selected);
    }
    if (!dragged) return;
    const { i, moved } = dragged;
    dragged = null;
    if (moved) P.placeChanged(i);
    else P.select(i);
  }

  function onKey(event, i) {
    const probe = P.doc.probe[i];
    const far = event.shiftKey ? 10 : 1;
    const h = typeof probe.height_cm === "number" ? probe.height_cm : 0;
    const side = Math.max(0, SIDES.indexOf(probe.side) === -1 ? 1 : SIDES.indexOf(probe.side));
    if (event.key === "ArrowUp") probe.height_cm = Math.min(TALLEST_CM, h + far);
    else if (event.key === "ArrowDown") probe.height_cm = Math.max(-200, h - far);
    else if (event.key === "ArrowLeft") probe.side = SIDES[Math.max(0, side - 1)];
    else if (event.key === "ArrowRight") probe.side = SIDES[Math.min(2, side + 1)];
    else if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      P.select(i);
      return;
    } else return;
    event.preventDefault();
    P.selected = i;
    P.placeChanged(i);
  }

  /** The pointer is heard on the holder, which stays while the drawing in it is made anew. */
  P.holdPointer = function (element) {
    element.addEventListener("pointerdown", onDown);
    element.addEventListener("pointermove", onMove);
    element.addEventListener("pointerup", onUp);
    element.addEventListener("pointercancel", onUp);
  };
})(window.Stokewatch);
