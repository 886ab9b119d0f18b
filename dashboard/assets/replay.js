/* Replay of a stored firing: each moment is drawn from what the page has in its store. */
"use strict";

(() => {
  const [TICK_MS, REST_MS] = [100, 120];
  const R = { t: 0, told: null, playing: false, speed: 10, drawn: {} };
  const { $, set, plot, hooks } = window.stokewatch;
  const all = (selector) => [...document.querySelectorAll(selector)];
  const decoded = (texts) => texts.map((text) => new Int16Array(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer));
  /** The last of ascending times that is not after the current moment. */
  const last = (times) => times.findLastIndex((t) => t <= R.t + 0.01);

  function clock(s) {
    const [h, m, rest] = [Math.floor(s / 3600), Math.floor(s / 60) % 60, Math.floor(s) % 60];
    return `${h ? `${h}:${String(m).padStart(2, "0")}` : m}:${String(rest).padStart(2, "0")}`;
  }

  function words() {
    const { told } = R;
    const k = Math.max(0, Math.min(Math.floor((R.t - told.from_s) / told.step_s), told.steps - 1));
    for (const row of all("#replay-values [data-probe]")) {
      const [value, rate] = [R.shown[row.dataset.probe][k], R.rates[row.dataset.probe][k]];
      const fault = value < told.none + 17;
      row.classList.toggle("fault", fault);
      row.querySelector(".reading").textContent = fault ? told.faults[value - told.none] : `${value}°`.replace("-", "−");
      const still = fault || rate === told.none;
      const way = Math.abs(rate) < told.steady ? "▬" : rate > 0 ? "▲" : "▼";
      row.querySelector(".moves").textContent = still ? "" : `${way} ${(Math.abs(rate) / 10).toFixed(1)} °${told.unit}/min`;
    }
    const n = told.moments ? last(told.moments.t_s) : -1;
    for (const cell of all("#replay [data-column]")) cell.textContent = n < 0 ? "" : told.moments.words[told.moments.columns[cell.dataset.column][n]];
    for (const part of all("#replay [data-from]")) part.hidden = R.t < Number(part.dataset.from) || R.t >= Number(part.dataset.until);
    for (const item of all("#replay-happened [data-seek]")) item.classList.toggle("coming", Number(item.dataset.seek) > R.t + 0.5);
  }

  /** Draw the forecast for the coldest zone if nothing is added, over what really happened. */
  function forecast(graph) {
    const made = R.told.forecasts[last(R.told.forecasts.map((f) => f.t_s))] || { x: [], band: [], y: [], text: [], zone: null };
    if (R.drawn.forecast === made && R.drawn.on === graph.data) return;
    Object.assign(R.drawn, { forecast: made, on: graph.data });
    const two = ["forecast band", "forecast"].map((name) => graph.data.findIndex((trace) => trace.name === name));
    const next = { x: [[...made.x, ...made.x.toReversed()], made.x], y: [made.band, made.y], text: [[], made.text] };
    window.Plotly.restyle(graph, { ...next, meta: [{}, { forecast: made.zone }] }, two);
  }

  /** Mark the moment by a line of our own: moving one of plotly's redraws its whole picture. */
  function point(graph) {
    const { xaxis, _size: room } = graph?._fullLayout || {};
    if (!xaxis?._length) return;
    const x = (R.t - R.told.zero_s) / 60;
    const at = Math.max(0, Math.min(xaxis._length, xaxis.l2p(x)));
    graph.style.cssText += `--at:${room.l + at}px;--ahead:${xaxis._length - at}px;--top:${room.t}px;--high:${room.h}px`;
    graph.dataset.moment = x;
  }

  function pictures() {
    for (const name of ["replay-traces", "replay-heat"]) point(plot(name));
    clearTimeout(R.resting);
    R.resting = setTimeout(drawn, R.playing ? 0 : REST_MS);
  }

  /** Plotly draws only once the finger rests: it takes longer than the next move. */
  function drawn() {
    const [traces, stack] = ["replay-traces", "replay-stack"].map(plot);
    if (traces?.data?.length) forecast(traces);
    const n = last(R.told.heat.t_s);
    if (stack?.data?.length && n >= 0 && (R.drawn.n !== n || R.drawn.stack !== stack.data)) {
      Object.assign(R.drawn, { n, stack: stack.data });
      window.Plotly.restyle(stack, { z: [R.told.heat.z[n]] }, [0]);
    }
  }

  const there = () => R.told && $("replay-values");
  hooks.push(() => there() && pictures()); // Dash may have redrawn one, or a finger zoomed
  const show = () => there() && [words(), pictures()];

  function seek(t, said) {
    R.t = Math.max(0, Math.min(t, R.told?.length_s ?? 0));
    set("replay-scrub", { value: R.t });
    if (said !== undefined) set("replay-jumped", { children: said });
  }

  function play(on) {
    if (on && R.t >= R.told.length_s) R.t = 0;
    Object.assign(R, { playing: on, drawn_at: performance.now() });
    set("replay-play", { children: on ? "❚❚ Pause" : "▶ Play" });
  }

  setInterval(() => {
    if (!R.playing || !$("replay-scrub")) return;
    const now = performance.now();
    seek(R.t + ((now - R.drawn_at) / 1000) * R.speed);
    R.drawn_at = now;
    if (R.t >= R.told.length_s) play(false);
  }, TICK_MS);

  document.addEventListener("click", (event) => {
    const to = event.target.closest?.("#replay [data-seek]");
    if (to) seek(Number(to.dataset.seek), to.textContent);
  });

  const KEYS = {
    " ": () => play(!R.playing),
    ArrowLeft: (far) => seek(R.t - far),
    ArrowRight: (far) => seek(R.t + far),
    Home: () => seek(0),
    End: () => seek(R.told.length_s),
    PageUp: () => $("replay-on").click(),
    PageDown: () => $("replay-back").click(),
  };
  document.addEventListener(
    "keydown",
    (event) => {
      const own = event.target.closest?.("input, select, textarea, button, a, summary, [role=radio]"); // these have keys of their own
      if (own || !KEYS[event.key] || !R.told || !$("replay-scrub") || event.ctrlKey || event.altKey || event.metaKey) return;
      KEYS[event.key](event.shiftKey ? 60 : 10);
      event.preventDefault();
      event.stopPropagation();
    },
    true,
  );

  Object.assign(window.dash_clientside.stokewatch, {
    replay_show(t, told) {
      if (!told) return "";
      if (told !== R.told) Object.assign(R, { told, shown: decoded(told.shown), rates: decoded(told.rates) });
      R.t = Math.max(0, Math.min(Number(t) || 0, told.length_s));
      show();
      setTimeout(show, 0); // by then what came with it is in the document
      const hour = told.time_known ? ` · ${new Date((told.started_s + R.t) * 1000).toLocaleTimeString("en-GB")}` : "";
      return `${clock(R.t)} of ${clock(told.length_s)}${hour}`;
    },
    replay_act(_, speed, ...taps) {
      R.speed = Number(speed) || 10;
      if (window.dash_clientside.callback_context.triggered_id === "replay-play") play(!R.playing);
      const x = taps.map((tap) => tap?.points?.[0]?.x).find((value) => typeof value === "number");
      if (x !== undefined) seek(x * 60 + R.told.zero_s);
      return [null, null];
    },
  });
})();
