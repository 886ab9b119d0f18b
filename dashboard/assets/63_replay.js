/* A stored firing burns again: its clock, its values at their heights, and the keys that move it. */
"use strict";

(function (S) {
  const SPEEDS = [1, 10, 30, 60, 120];
  const TICK_MS = 100;
  const LEAST_HOLD_S = 5; // as the fire's page: a probe that says nothing for so long is silent
  const RATE_S = 60;
  const LEAST_RATE_S = 15;
  const SECTION_MS = 400;

  const R = S.replay = { told: null, t: 0, playing: false, speed: 10, order: [], numbers: [] };
  let cells = []; // by probe: what it read, second by second, in 0.1 °C
  let opened = 0; // counts the firings that were opened; late answers are of no use
  let here = false;
  let last = null; // when the clock was last moved on
  let drawn = "";
  let drawnAt = -1e9;

  R.$ = (name) => document.querySelector(`#replay .r-${name}`);
  R.number = (i) => String(R.numbers[i] ?? i + 1);

  S.rooms.replay = {
    show(args) {
      here = true;
      const [id, at] = args.split("/");
      const seconds = Number.parseFloat(at);
      if (R.told && R.told.firing.id === id && !R.told.firing.running) {
        if (Number.isFinite(seconds)) R.seek(seconds);
        R.layout();
      } else open(id, Number.isFinite(seconds) ? seconds : 0);
    },
    hide() { here = false; pause(); },
    redraw() { if (R.told) { build(); R.layout(); } },
  };

  async function open(id, at) {
    const turn = (opened += 1);
    R.told = null;
    pause();
    const holder = document.getElementById("replay");
    holder.replaceChildren(S.make("p", { role: "status", class: "r-wait" }, id ? "Fetching the firing …" : "No firing was chosen. ",
      id ? null : S.make("a", { class: "go", href: "#archive" }, "To the firings")));
    if (!id) return;
    try {
      const told = await S.getJson(`/api/replay/${encodeURIComponent(id)}`);
      if (turn !== opened) return;
      take(told);
      R.t = Math.max(0, Math.min(at, R.length));
      build();
      R.layout();
      R.judge({}, turn);
    } catch (refused) {
      if (turn === opened) holder.replaceChildren(S.make("p", { role: "alert" }, `${refused.message} `, S.make("a", { class: "go", href: "#archive" }, "To the firings")));
    }
  }

  R.turn = () => opened;
  R.current = (turn) => turn === opened;

  function take(told) {
    R.told = told;
    R.probes = told.probes;
    R.length = told.firing.length_s;
    R.judged = R.own = null;
    R.changed = {};
    R.trouble = "";
    R.numbers = [];
    R.order = R.probes.map((_, i) => i).sort((a, b) => (R.probes[b].height_cm ?? -1e9) - (R.probes[a].height_cm ?? -1e9) || a - b);
    R.order.forEach((i, n) => { R.numbers[i] = n + 1; });
    cells = told.grid.columns.map((column) => {
      const bytes = Uint8Array.from(atob(column.cells), (c) => c.charCodeAt(0));
      const view = new DataView(bytes.buffer);
      return Int16Array.from({ length: bytes.length / 2 }, (_, k) => view.getInt16(2 * k, true));
    });
  }

  // --- what a probe read at a moment -----------------------------------------------------------------------------

  const indexAt = (t) => Math.floor((t - R.told.grid.from_s) / R.told.grid.step_s);

  /** {c, status, age}: c is null where there is no reading; was: the last one before. */
  function readingAt(i, t) {
    const { grid } = R.told;
    const own = cells[i];
    const from = Math.min(indexAt(t), own.length - 1);
    const hold = Math.max(LEAST_HOLD_S, 2.5 * grid.columns[i].every_s) / grid.step_s;
    for (let k = from; k >= 0 && from - k <= hold; k -= 1) {
      const status = own[k] - grid.none;
      if (status === S.ABSENT) continue;
      if (status > 16) return { c: own[k] / 10, status: S.OK };
      return { c: null, status, was: lastBefore(i, k) };
    }
    return { c: null, status: S.ABSENT, was: lastBefore(i, from) };
  }

  function lastBefore(i, from) {
    for (let k = from; k >= 0; k -= 1) if (cells[i][k] - R.told.grid.none > 16) return cells[i][k] / 10;
    return null;
  }

  R.currentC = (i) => readingAt(i, R.t).c;

  /** Slope of the straight line of least squares through the last minute. [°C/min] */
  function rateAt(i, t) {
    const { grid } = R.told;
    const to = Math.min(indexAt(t), cells[i].length - 1);
    let n = 0, st = 0, sc = 0, stt = 0, stc = 0, first = null, lastK = 0;
    for (let k = Math.max(0, to - Math.round(RATE_S / grid.step_s)); k <= to; k += 1) {
      const own = cells[i][k];
      if (own - grid.none <= 16) continue;
      if (first === null) first = k;
      lastK = k;
      const x = (k - first) * grid.step_s;
      n += 1; st += x; sc += own; stt += x * x; stc += x * own;
    }
    if (n < 3 || (lastK - first) * grid.step_s < LEAST_RATE_S) return null;
    return ((n * stc - st * sc) / (n * stt - st * st)) * 6; // from 0.1 °C a second
  }

  // --- the page ------------------------------------------------------------------------------------------------

  function build() {
    const { firing } = R.told;
    const holder = document.getElementById("replay");
    const when = firing.time_known ? S.date(firing.started_s) : "no date in its file";
    const tool = (name, text, label, click) => S.make("button", { type: "button", class: `r-${name}`, "aria-label": label, title: label, onclick: click }, text);
    const speeds = S.make("div", { class: "choice r-speeds", role: "group", "aria-label": "Speed" }, ...SPEEDS.map((n) =>
      S.make("button", { type: "button", "data-speed": n, onclick() { R.speed = n; R.tick(); } }, `${n}×`)));
    const scrub = S.make("input", { type: "range", class: "r-scrub", min: 0, max: Math.max(1, Math.ceil(R.length)), step: 1, "aria-label": "Time in the firing" });
    scrub.addEventListener("input", () => R.seek(Number(scrub.value)));
    holder.replaceChildren(
      S.make("div", { class: "r-head" }, S.el("h2", "", `Replay: ${firing.title || "Firing"}`),
        S.make("p", {}, `${when}, ${S.span(R.length)}. `, S.el("b", "", firing.running ? "It is still running: this is what was there when you opened it." : "A stored firing; nothing here is happening now."), firing.invented ? S.el("i", "invented", " Invented, nothing in it was measured.") : null),
        S.make("div", { class: "r-doors" }, S.rooms.report ? S.make("a", { class: "go", href: `#report/${firing.id}` }, "Report") : null,
          S.make("a", { class: "go", href: "#archive" }, "All firings"))),
      S.make("div", { class: "r-left" }, S.make("div", { class: "r-section", "aria-hidden": "true" }), S.make("ol", { class: "r-values" })),
      S.make("div", { class: "r-right" },
        S.make("div", { class: "r-traces" }),
        scrub,
        S.make("div", { class: "r-tools" },
          tool("play main", "", "Play", () => (R.playing ? pause() : play())),
          S.make("p", { class: "r-clock" }),
          S.el("span", "r-break"),
          tool("back", "◂ Note or alarm before", "Back to the note or alarm before", () => R.jump(-1)),
          tool("on", "Next note or alarm ▸", "On to the next note or alarm", () => R.jump(1)),
          speeds),
        S.make("p", { class: "r-said", role: "status" })),
      S.make("div", { class: "r-verdicts" }),
      S.make("div", { class: "r-happened" }),
      S.make("div", { class: "r-settings" }));
    rows();
    R.buildJudgement();
    tap(R.$("traces"));
  }

  function rows() {
    R.$("values").replaceChildren(...R.order.map((i) => {
      const probe = R.probes[i];
      const key = S.svg("svg", { class: "key", width: 40, height: 26, viewBox: "0 0 40 26" });
      key.append(S.svg("line", { x1: 0, x2: 40, y1: 13, y2: 13, "stroke-dasharray": S.dash(i) === "solid" ? "none" : S.dash(i).replaceAll("px", "") }),
        S.svg("circle", { cx: 20, cy: 13, r: 12 }), S.svg("text", { x: 20, y: 18.5 }, R.number(i)));
      key.style.setProperty("--own", S.colour(i));
      const height = probe.height_cm === null ? probe.side : `${probe.height_cm} cm`;
      const row = S.make("li", { class: "value", "data-probe": probe.name }, key,
        S.make("div", { class: "first" }, S.el("b", "", probe.name), S.el("span", "reading")),
        S.make("div", { class: "second" }, S.el("span", "where", [height, S.READS[probe.reads]].filter(Boolean).join(" · ")), S.el("span", "moves")));
      return row;
    }));
  }

  function fill() {
    R.order.forEach((i, n) => {
      const row = R.$("values").children[n];
      const { c, status, was } = readingAt(i, R.t);
      const fault = c === null;
      row.classList.toggle("fault", fault);
      row.classList.toggle("beyond", status === S.BEYOND);
      row.style.setProperty("--heat", S.heat(c));
      row.querySelector(".reading").textContent = fault ? S.STATUS[status] : `${S.degrees(c)}°`;
      row.querySelector(".moves").textContent = fault ? (was === null ? "" : `was ${S.degrees(was)}°`) : S.rate(rateAt(i, R.t));
    });
  }

  R.layout = function () {
    if (!here || !R.told || !R.$("left")) return;
    R.$("left").classList.toggle("wide", R.$("left").clientWidth >= 470);
    R.$("values").classList.toggle("many", R.probes.length > 10);
    R.drawTraces();
    drawn = "";
    R.tick();
  };

  function section() {
    const panel = R.$("left");
    const holder = R.$("section");
    const { clientWidth: width, clientHeight: height } = holder;
    const heat = R.probes.map((_, i) => Math.round((R.currentC(i) ?? -999) / 4)).join() + S.choices.theme + width;
    if (heat === drawn || performance.now() - drawnAt < SECTION_MS || !width || !R.probes.length) return;
    drawn = heat;
    drawnAt = performance.now();
    const wide = panel.classList.contains("wide");
    const top = panel.getBoundingClientRect().top;
    const places = wide ? R.order.map((i, n) => {
      const box = R.$("values").children[n].getBoundingClientRect();
      return { i, y: box.top - top + box.height / 2 };
    }) : null;
    S.drawSection(holder, { width, height, stackWidth: wide ? R.$("values").offsetLeft - 16 : width, rows: places }, R);
  }

  // --- the clock -----------------------------------------------------------------------------------------------

  R.clock = function (s) {
    const whole = Math.max(0, Math.floor(s));
    const parts = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
    return (parts[0] ? `${parts[0]}:${String(parts[1]).padStart(2, "0")}` : String(parts[1])) + `:${String(parts[2]).padStart(2, "0")}`;
  };

  function play() {
    if (R.t >= R.length) R.t = 0;
    R.playing = true;
    last = performance.now();
    R.tick();
  }

  function pause() {
    R.playing = false;
    if (R.told && here) R.tick();
  }

  R.seek = function (t, said) {
    R.t = Math.max(0, Math.min(t, R.length));
    drawnAt = -1e9;
    R.$("said").textContent = said || "";
    R.tick();
  };

  R.jump = function (way) {
    const marks = R.marks().sort((a, b) => a.t - b.t);
    const found = way > 0 ? marks.find((m) => m.t > R.t + 0.5) : marks.reverse().find((m) => m.t < R.t - (R.playing ? 3 * R.speed / 10 : 0.5));
    if (!found) R.seek(way > 0 ? R.length : 0, way > 0 ? "The end; no note or alarm comes any more." : "The beginning; no note or alarm before.");
    else R.seek(found.t, `${R.clock(found.t)} ${found.long}`);
  };

  R.tick = function () {
    if (!R.told || !R.$("clock")) return;
    const scrub = R.$("scrub");
    const hour = R.told.firing.time_known ? new Date((R.told.firing.started_s + R.t) * 1000).toLocaleTimeString("en-GB") : "";
    scrub.value = R.t;
    scrub.setAttribute("aria-valuetext", `${R.clock(R.t)} of ${R.clock(R.length)}`);
    R.$("clock").replaceChildren(S.el("b", "", R.clock(R.t)), ` of ${R.clock(R.length)}${hour ? ` · ${hour}` : ""}`);
    const button = R.$("play");
    button.textContent = R.playing ? "❚❚ Pause" : "▶ Play";
    button.setAttribute("aria-label", R.playing ? "Pause" : "Play");
    for (const one of document.querySelectorAll("#replay [data-speed]")) one.setAttribute("aria-pressed", String(Number(one.dataset.speed) === R.speed));
    fill();
    section();
    R.moveCursor();
    R.showMoment();
  };

  setInterval(() => {
    if (!R.playing || !here) return;
    const now = performance.now();
    R.t += ((now - last) / 1000) * R.speed;
    last = now;
    if (R.t >= R.length) {
      R.t = R.length;
      pause();
    } else R.tick();
  }, TICK_MS);

  const WAYS = { ArrowLeft: (t) => t - 10, ArrowRight: (t) => t + 10, Home: () => 0, End: () => R.length };

  document.addEventListener("keydown", (event) => {
    if (!here || !R.told || event.ctrlKey || event.altKey || event.metaKey) return;
    const at = event.target;
    const bar = at.classList && at.classList.contains("r-scrub");
    if (!bar && at.closest && at.closest("input, select, textarea, button, a, summary")) {
      if (event.key === " " || at.closest("input, select, textarea")) return; // they have keys of their own
    }
    if (event.key === " ") (R.playing ? pause : play)();
    else if (WAYS[event.key]) R.seek(WAYS[event.key](R.t + (event.shiftKey ? { ArrowLeft: -50, ArrowRight: 50 }[event.key] || 0 : 0)));
    else if (bar && event.key === "PageUp") R.jump(1);
    else if (bar && event.key === "PageDown") R.jump(-1);
    else return;
    event.preventDefault();
  });

  /* A finger on the traces moves the clock; up and down it scrolls the page as anywhere. */
  function tap(holder) {
    const to = (event) => R.seek(R.timeAt(event.clientX - holder.getBoundingClientRect().left));
    holder.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      to(event);
      holder.setPointerCapture(event.pointerId);
      holder.onpointermove = to;
    });
    for (const end of ["pointerup", "pointercancel"]) holder.addEventListener(end, () => { holder.onpointermove = null; });
  }

  let resized = null;
  window.addEventListener("resize", () => {
    clearTimeout(resized);
    resized = setTimeout(R.layout, 120);
  });
})(window.Stokewatch);
