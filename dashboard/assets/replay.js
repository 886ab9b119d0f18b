/* A stored firing burns again: the moment, and what is seen of it; all from the page's own store, at once. */
"use strict";

(() => {
  const TICK_MS = 100;
  const LEAST_HOLD_S = 5; // as beside the fire: a probe that says nothing for so long is silent
  const RATE_S = 60;
  const LEAST_RATE_S = 15;
  const MODEL_HOLD_S = 45;
  const ABSENT = 7; // of logger.reading.Status
  const $ = (id) => document.getElementById(id);
  const set = (id, props) => window.dash_clientside.set_props(id, props);
  const NO = () => window.dash_clientside.no_update;
  const R = { t: 0, told: null, cells: [], playing: false, speed: 10, single: new Set(), drawn: {} };

  const shown = (c) => Math.round(R.told.unit === "F" ? c * 1.8 + 32 : c);
  const degrees = (c) => `${shown(c)}°`.replace("-", "−");
  const plot = (name) => document.querySelector(`#${name} .js-plotly-plot`);

  function clock(s) {
    const whole = Math.max(0, Math.floor(s));
    const [h, m, rest] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
    return `${h ? `${h}:${String(m).padStart(2, "0")}` : m}:${String(rest).padStart(2, "0")}`;
  }

  function take(told) {
    R.told = told;
    R.cells = told.grid.columns.map((column) => {
      const bytes = Uint8Array.from(atob(column.cells), (c) => c.charCodeAt(0));
      const view = new DataView(bytes.buffer);
      return Int16Array.from({ length: bytes.length / 2 }, (_, k) => view.getInt16(2 * k, true));
    });
  }

  // --- what was so at a moment ------------------------------------------------------------------------------

  const indexAt = (i) => Math.min(Math.floor((R.t - R.told.grid.from_s) / R.told.grid.step_s), R.cells[i].length - 1);

  /** {c, status, was}: c is null where there is no reading; was: the last one before. */
  function reading(i) {
    const { grid } = R.told;
    const from = indexAt(i);
    const hold = Math.max(LEAST_HOLD_S, 2.5 * grid.columns[i].every_s) / grid.step_s;
    let status = ABSENT;
    for (let k = from; k >= 0 && from - k <= hold; k -= 1) {
      status = R.cells[i][k] - grid.none;
      if (status > 16) return { c: R.cells[i][k] / 10 };
      if (status !== ABSENT) break;
    }
    let k = from;
    while (k >= 0 && R.cells[i][k] - grid.none <= 16) k -= 1;
    return { c: null, status, was: k >= 0 ? R.cells[i][k] / 10 : null };
  }

  /** Slope of the straight line of least squares through the last minute. [°C/min] */
  function rate(i) {
    const { grid } = R.told;
    const to = indexAt(i);
    const points = [];
    for (let k = Math.max(0, to - Math.round(RATE_S / grid.step_s)); k <= to; k += 1) {
      if (R.cells[i][k] - grid.none > 16) points.push([(k - to) * grid.step_s, R.cells[i][k]]);
    }
    if (points.length < 3 || points.at(-1)[0] - points[0][0] < LEAST_RATE_S) return null;
    const mean = (j) => points.reduce((sum, p) => sum + p[j], 0) / points.length;
    const [mt, mc] = [mean(0), mean(1)];
    const sum = (f) => points.reduce((total, p) => total + f(p), 0);
    return (sum(([t, c]) => (t - mt) * (c - mc)) / sum(([t]) => (t - mt) ** 2)) * 6; // from 0.1 °C a second
  }

  /** The last of ascending times that is not after the moment. */
  function last(times) {
    let [low, high] = [0, times.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (times[middle] <= R.t + 0.01) low = middle + 1;
      else high = middle;
    }
    return low - 1;
  }

  // --- and how it is shown ------------------------------------------------------------------------------------

  function values() {
    for (const row of document.querySelectorAll("#replay-values [data-probe]")) {
      const i = Number(row.dataset.probe);
      const { c, status, was } = reading(i);
      const moves = c === null ? null : rate(i);
      const arrow = moves === null ? "" : Math.abs(moves) < 0.5 ? "▬" : moves > 0 ? "▲" : "▼";
      const fast = moves === null ? "" : Math.abs(moves * (R.told.unit === "F" ? 1.8 : 1)).toFixed(Math.abs(moves) < 9.95 ? 1 : 0);
      row.classList.toggle("fault", c === null);
      row.querySelector(".reading").textContent = c === null ? R.told.faults[status] : degrees(c);
      row.querySelector(".moves").textContent = c === null ? (was === null ? "" : `was ${degrees(was)}`) : arrow && `${arrow} ${fast} °${R.told.unit}/min`;
    }
  }

  function verdicts() {
    const line = $("replay-line");
    const standing = R.told.alarms.filter((a) => a.t <= R.t && (a.until === null ? !a.good : a.until > R.t));
    $("replay-standing").replaceChildren(...standing.map((a) => Object.assign(document.createElement("p"), { textContent: a.text, className: a.good ? "good" : "alarm-words" })));
    const told = R.told.moments;
    if (!told) return;
    const k = last(told.t_s);
    line.textContent = k < 0 ? "Nothing was judged yet at this moment." : told.words[told.line[k]];
    for (const row of document.querySelectorAll("#replay-zones [data-zone]")) {
      const zone = told.zones[Number(row.dataset.zone)];
      const put = (name, text) => (row.querySelector(`.${name}`).textContent = text);
      const number = (c) => (k < 0 || c[k] === null ? "–" : `${c[k]}°`.replace("-", "−"));
      put("now", number(zone.level));
      put("peak", number(zone.peak));
      put("above", k < 0 ? "" : `${zone.above[k]} min`);
      put("soak", k < 0 || zone.coals ? "" : `${zone.soak[k]} min`);
      const ahead = k < 0 ? "" : told.words[zone.ahead[k]];
      put("need", [k < 0 ? "" : told.words[zone.need[k]], ahead && `Forecast then: ${ahead}`, pots(zone.zone)].filter(Boolean).join(". "));
    }
  }

  /** What a zone's pots were estimated to be at. */
  function pots(zone) {
    const line = R.told.estimates[zone];
    const n = line ? last(line.t) : -1;
    if (n < 0 || R.t - line.t[n] > Math.max(MODEL_HOLD_S, (2.5 * (line.t.at(-1) - line.t[0])) / line.t.length)) return "";
    const half = Math.round(((line.hi[n] - line.lo[n]) / 2) * (R.told.unit === "F" ? 1.8 : 1));
    return `Pots by the model: ${degrees(line.c[n])} ± ${half}°`;
  }

  function happened() {
    const items = [...document.querySelectorAll("#replay-happened li")];
    const past = R.told.marks.filter((m) => m.t <= R.t + 0.5).length;
    items.forEach((item, n) => item.classList.toggle("coming", n >= past));
    const newest = items[Math.max(0, past - 1)];
    if (newest) newest.parentElement.scrollTop = newest.offsetTop - newest.parentElement.offsetTop - newest.parentElement.clientHeight + 2 * newest.offsetHeight;
  }

  /** What was to come of the coldest zone at this moment, if nothing was added, over what came in truth. */
  function forecast(graph) {
    const made = R.told.moments?.forecasts.filter((f) => f.t_s <= R.t + 0.01).at(-1) || null;
    if (R.drawn.forecast === made && R.drawn.of === graph.data) return;
    Object.assign(R.drawn, { forecast: made, of: graph.data });
    const two = ["forecast band", "forecast"].map((name) => graph.data.findIndex((d) => d.name === name));
    if (two.includes(-1)) return;
    const furthest = R.t + 60 * Math.min(20, Math.max(2, (0.25 * R.t) / 60));
    const points = made?.zone ? made.ahead_s.map((ahead, n) => ({ s: made.at_s + ahead, n })).filter((p) => p.s <= Math.min(furthest, R.told.length_s)) : [];
    const x = points.map((p) => (p.s - R.told.zero_s) / 60);
    const y = (key) => points.map((p) => shown(made[key][p.n]));
    const words = points.map((_, n) => (n === points.length - 1 ? `${made.zone}, if nothing is added` : ""));
    window.Plotly.restyle(graph, { x: [[...x, ...x.toReversed()], x], y: [points.length ? [...y("high_c"), ...y("low_c").reverse()] : [], points.length ? y("middle_c") : []], text: [[], words], meta: [null, { forecast: made?.zone || null }] }, two);
  }

  function pictures() {
    const at = (R.t - R.told.zero_s) / 60;
    const [traces, heat, stack] = ["replay-traces", "replay-heat", "replay-stack"].map(plot);
    if (traces?.layout?.shapes && traces.offsetParent) {
      forecast(traces);
      window.Plotly.relayout(traces, { "shapes[0].x0": at, "shapes[0].x1": at, "shapes[1].x0": at });
    }
    if (heat?.layout?.shapes && heat.offsetParent) window.Plotly.relayout(heat, { "shapes[0].x0": at, "shapes[0].x1": at });
    const k = last(R.told.heat.t_s.map((t) => t - R.told.heat.t_s[0]));
    if (stack?.data && k >= 0 && (R.drawn.k !== k || R.drawn.stack !== stack.data)) {
      Object.assign(R.drawn, { k, stack: stack.data });
      window.Plotly.restyle(stack, { z: [R.told.heat.z[k]] }, [0]);
    }
  }

  let asked = false;
  function show() {
    if (!R.told || !$("replay-values")) return;
    values();
    verdicts();
    happened();
    if (asked) return;
    asked = true; // several moves of a finger within a frame are one picture
    requestAnimationFrame(() => {
      asked = false;
      if (R.told && $("replay-values")) pictures();
    });
  }

  function seek(t, said) {
    R.t = Math.max(0, Math.min(t, R.told ? R.told.length_s : 0));
    set("replay-scrub", { value: R.t });
    if (said !== undefined) set("replay-jumped", { children: said });
  }

  function jump(way) {
    if (!R.told) return;
    const marks = R.told.marks;
    const found = way > 0 ? marks.find((m) => m.t > R.t + 0.5) : marks.findLast((m) => m.t < R.t - (R.playing ? (3 * R.speed) / 10 : 0.5));
    if (found) seek(found.t, `${clock(found.t)} ${found.long}`);
    else seek(way > 0 ? R.told.length_s : 0, way > 0 ? "The end; no note or alarm comes any more." : "The beginning; no note or alarm before.");
  }

  function play(on) {
    R.playing = on;
    R.last = performance.now();
    if (on && R.told && R.t >= R.told.length_s) R.t = 0;
    if ($("replay-play")) set("replay-play", { children: on ? "❚❚ Pause" : "▶ Play" });
  }

  setInterval(() => {
    if (!R.playing) return;
    if (!$("replay-scrub") || !R.told) {
      R.playing = false; // another page
      return;
    }
    const now = performance.now();
    seek(R.t + ((now - R.last) / 1000) * R.speed);
    R.last = now;
    if (R.t >= R.told.length_s) play(false);
  }, TICK_MS);

  function single(i) {
    if (R.single.has(i)) R.single.delete(i);
    else R.single.add(i);
    for (const row of document.querySelectorAll("#replay-values [data-probe]")) row.setAttribute("aria-pressed", String(R.single.has(Number(row.dataset.probe))));
    const graph = plot("replay-traces");
    const all = R.cells.map((_, n) => n);
    if (graph) window.Plotly.restyle(graph, { opacity: all.map((n) => (!R.single.size || R.single.has(n) ? 1 : 0.12)) }, all);
  }

  document.addEventListener("click", (event) => {
    const to = event.target.closest?.("#replay [data-seek]");
    if (to) seek(Number(to.dataset.seek), to.textContent);
    const probe = event.target.closest?.("#replay-values [data-probe]");
    if (probe) single(Number(probe.dataset.probe));
  });

  const WAYS = { ArrowLeft: -10, ArrowRight: 10 };
  document.addEventListener("keydown", (event) => {
    if (!R.told || !$("replay-scrub") || event.ctrlKey || event.altKey || event.metaKey) return;
    const own = event.target.closest?.("input, select, textarea, button, a, summary, [role=radio], [role=radiogroup]");
    if (own) return; // they have keys of their own
    if (event.key === " ") play(!R.playing);
    else if (WAYS[event.key]) seek(R.t + WAYS[event.key] * (event.shiftKey ? 6 : 1));
    else if (event.key === "Home") seek(0);
    else if (event.key === "End") seek(R.told.length_s);
    else if (event.key === "PageUp") jump(1);
    else if (event.key === "PageDown") jump(-1);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }, true);

  Object.assign(window.dash_clientside.stokewatch, {
    replay_show(t, told) {
      if (!told) return "";
      if (told !== R.told) {
        if (told.id !== R.told?.id) R.single.clear();
        take(told);
      }
      R.t = Math.max(0, Math.min(Number(t) || 0, told.length_s));
      show();
      setTimeout(show, 0); // what came with it is in the document then
      const hour = told.time_known ? ` · ${new Date((told.started_s + R.t) * 1000).toLocaleTimeString("en-GB")}` : "";
      return `${clock(R.t)} of ${clock(told.length_s)}${hour}`;
    },
    replay_begin: (end, which, now) => (now > 0 && now <= end ? NO() : Math.min(which?.at || 0, end)),
    replay_play() {
      play(!R.playing);
      return NO();
    },
    replay_back() {
      jump(-1);
      return NO();
    },
    replay_on() {
      jump(1);
      return NO();
    },
    replay_speed(speed) {
      R.speed = Number(speed) || 10;
      return NO();
    },
    replay_view(view) {
      setTimeout(() => {
        window.dispatchEvent(new Event("resize")); // a graph that was hidden has no size yet
        show();
      }, 0);
      return view === "Traces" ? [false, true] : [true, false];
    },
    replay_tap(...taps) {
      const x = taps.map((tap) => tap?.points?.[0]?.x).find((value) => typeof value === "number");
      if (x !== undefined && R.told) seek(x * 60 + R.told.zero_s);
      return [null, null];
    },
  });
})();
