/* The traces. Points are added to the lines as they come; Plotly draws, our own labels stand at the lines' ends. */
"use strict";

(function (S) {
  const QUARTZ_C = 573;
  const CROWDED = 2400; // points in a line, twice a snapshot's: then a thinned snapshot is asked for
  const CONFIG = { displayModeBar: false, staticPlot: true, responsive: false };
  const DRAW_MS = [500, 2000]; // at least, at most; in between, as often as a line grows by a pixel

  let graph = null; // Plotly's element
  let lines = []; // by probe: {t, c} as sent: seconds, °C or "!status"
  let waiting = []; // by probe: what has come and isn't drawn yet
  let drawnAt = 0;
  let range = null;
  let under = 0; // how many drawings lie under the lines
  let over = 0; // and over them
  let margin = { l: 52, r: 190, t: 30, b: 50 };

  const temperature = (cell) => (typeof cell === "number" ? cell : null);
  const minutes = (s) => s / 60;
  const lastT = () => Math.max(0, ...lines.map((l) => (l.t.length ? l.t[l.t.length - 1] : 0)));

  S.underlays = []; // functions that give what is drawn under the lines, in Plotly's words

  S.traceLines = () => lines; // for tests: what has been drawn, or is about to be

  /**
   * Have Dash make the graph; what came before it is there is drawn then. Plotly is large: a tablet that meets it
   * for the first time takes a second or two to read it, and can do nothing else meanwhile.
   */
  S.makeGraph = function () {
    window.dash_clientside.set_props("traces", { children: { namespace: "dash_core_components", type: "Graph", props: {
      id: "graph", responsive: false, config: CONFIG,
      figure: { data: [], layout: { xaxis: { visible: false }, yaxis: { visible: false } } },
    } } });
    (function find() {
      const found = document.querySelector("#traces .js-plotly-plot");
      if (!found || !window.Plotly) return setTimeout(find, 20);
      graph = found;
      return S.redrawTraces();
    })();
  };

  S.setTraces = function (traces) {
    lines = traces.map((l) => ({ t: l.t.slice(), c: l.c.slice() }));
    waiting = lines.map(() => ({ x: [], y: [] }));
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
          waiting[i].x.push(minutes(t));
          waiting[i].y.push(S.shown(temperature(cell)));
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

  function rulers() {
    return [
      { c: S.firing.target_c, label: "target", dash: "solid" },
      { c: S.firing.burnout_c, label: "burn-out", dash: "8px,5px" },
      { c: QUARTZ_C, label: "quartz", dash: "2px,4px" },
    ];
  }

  /** The colour in which a zone's spot readings stand: that of one of its probes. */
  const zoneColour = (zone) => {
    const i = S.probes.findIndex((p) => p.zone === zone && p.reads !== "coals");
    return i < 0 ? getComputedStyle(document.documentElement).getPropertyValue("--ink").trim() : S.colour(i);
  };

  function spots() {
    const found = S.events.filter((e) => e.kind === "spot");
    if (!found.length) return [];
    const paper = getComputedStyle(document.documentElement).getPropertyValue("--paper").trim();
    return [{
      type: "scatter", mode: "markers", name: "spot readings", hoverinfo: "skip",
      x: found.map((e) => minutes(e.t)), y: found.map((e) => S.shown(e.data.temperature_c)),
      marker: { symbol: "diamond", size: 14, color: found.map((e) => zoneColour(e.data.zone)), line: { color: paper, width: 2 } },
    }];
  }

  const BANDS = { climb: 0.06, peak: 0.14, burn_down: 0.06 }; // how strongly a stage tints its time
  function stageBands(colour) {
    const stages = S.events.filter((e) => e.kind === "stage");
    return stages.map((e, n) => ({
      type: "rect", yref: "paper", y0: 0, y1: 1, layer: "below", line: { width: 0 }, fillcolor: colour,
      opacity: BANDS[e.data.stage] || 0, x0: minutes(e.t), x1: n + 1 < stages.length ? minutes(stages[n + 1].t) : 1e6,
    })).filter((band) => band.opacity > 0);
  }

  function layout() {
    const css = getComputedStyle(document.documentElement);
    const ink = css.getPropertyValue("--ink").trim();
    const faint = css.getPropertyValue("--faint").trim();
    const rule = css.getPropertyValue("--rule").trim();
    const narrow = graph.parentElement.clientWidth < 480;
    margin = { l: 52, r: narrow ? 40 : 176, t: 30, b: 50 };
    const axis = { color: ink, gridcolor: faint, zeroline: false, linecolor: ink, showline: true, ticks: "outside",
      tickfont: { size: 16 }, fixedrange: true, automargin: false };
    return {
      autosize: false, width: graph.parentElement.clientWidth, height: graph.parentElement.clientHeight, showlegend: false, margin, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: css.getPropertyValue("--face").trim(), size: 16, color: ink },
      xaxis: { ...axis, range: range.x.slice(), title: { text: "minutes since the first reading", font: { size: 16 }, standoff: 6 },
        showgrid: false, nticks: 7 },
      yaxis: { ...axis, range: range.y.slice(), nticks: 8, gridwidth: 1 },
      shapes: stageBands(css.getPropertyValue("--clay").trim()).concat(rulers().map((r) => ({ type: "line", xref: "paper", x0: 0, x1: 1, y0: S.shown(r.c), y1: S.shown(r.c),
        line: { color: rule, width: r.label === "target" ? 2 : 1.5, dash: r.dash } })))
        .concat(S.marks().map((m) => ({ type: "line", yref: "paper", y0: 0, y1: 1, x0: minutes(m.t), x1: minutes(m.t),
          line: { color: m.kind === "alarm" ? css.getPropertyValue("--alarm").trim() : rule, width: 1, dash: "1px,3px" } }))),
    };
  }

  /** Nothing can be drawn into a room that isn't shown; it is drawn when it is entered. */
  const shown = () => graph && S.firing && document.body.dataset.room === "fire";

  S.redrawTraces = function () {
    if (!shown()) return;
    range = ranges();
    waiting = lines.map(() => ({ x: [], y: [] }));
    const below = S.underlays.flatMap((make) => make());
    under = below.length;
    const data = lines.map((line, i) => ({
      type: "scatter", mode: "lines", name: S.probes[i].name, connectgaps: false, hoverinfo: "skip",
      x: line.t.map(minutes), y: line.c.map((cell) => S.shown(temperature(cell))),
      line: { color: S.colour(i), dash: S.dash(i), width: 2.6, simplify: true },
    }));
    const above = spots();
    over = above.length;
    window.Plotly.react(graph, below.concat(data, above), layout(), CONFIG);
    drawnAt = performance.now();
    S.placeLabels();
  };

  function dueMs() {
    const pixelS = ((range.x[1] - range.x[0]) * 60) / Math.max(1, graph.clientWidth - margin.l - margin.r);
    return Math.min(DRAW_MS[1], Math.max(DRAW_MS[0], (pixelS * 1000) / S.scale()));
  }

  /** Draw what has come, if it is time: drawing is what costs a tablet its battery. */
  S.drawWaiting = function () {
    if (!shown() || performance.now() - drawnAt < dueMs()) return;
    // Dash may draw its own, empty figure once more over ours, where a tablet is slow.
    if (graph.data.length !== under + lines.length + over) { S.redrawTraces(); return; }
    const some = waiting.map((w, i) => i).filter((i) => waiting[i].x.length);
    if (!some.length) return;
    drawnAt = performance.now();
    window.Plotly.extendTraces(graph, { x: some.map((i) => waiting[i].x), y: some.map((i) => waiting[i].y) }, some.map((i) => under + i));
    for (const i of some) waiting[i] = { x: [], y: [] };
    const end = minutes(lastT());
    const hottest = Math.max(...lines.map((l) => S.shown(temperature(l.c[l.c.length - 1] ?? null)) ?? 0));
    if (end > range.x[1] || hottest > range.y[1]) {
      // Seldom: the axis moves on by a stretch, not with every point.
      range = ranges();
      window.Plotly.relayout(graph, { "xaxis.range": range.x.slice(), "yaxis.range": range.y.slice() });
    }
    S.placeLabels();
  };

  /* Labels of our own over the plot: at the lines' ends, on the rulers, at gaps, on marks. */
  S.placeLabels = function () {
    const holder = document.getElementById("labels");
    if (!graph || !S.firing || !range) return holder.replaceChildren();
    const width = graph.clientWidth - margin.l - margin.r;
    const height = graph.clientHeight - margin.t - margin.b;
    const x = (t) => margin.l + ((minutes(t) - range.x[0]) / (range.x[1] - range.x[0])) * width;
    const y = (c) => margin.t + height - ((S.shown(c) - range.y[0]) / (range.y[1] - range.y[0])) * height;
    const labels = [];
    const put = (className, text, left, top) => {
      const label = S.el("span", className, text);
      label.style.left = `${left}px`;
      label.style.top = `${top}px`;
      labels.push(label);
      return label;
    };
    for (const r of rulers()) put("ruler", `${r.label} ${S.degrees(r.c)}°`, margin.l + 8, y(r.c) - 21);
    put("axis", S.unit(), 6, margin.t - 29);
    let free = -1e9; // marks stand in one line at the top: those without room keep their stroke only
    for (const m of S.marks()) {
      const at = x(m.t);
      const long = m.short.length * 9;
      const left = Math.min(at, margin.l + width - long); // the lines' own names begin there
      if (at < margin.l || left < free) continue;
      put(`mark ${m.kind}`, m.short, left, 2);
      free = left + long + 14;
    }
    for (const e of S.events.filter((event) => event.kind === "spot")) {
      if (x(e.t) < margin.l) continue;
      const text = `${e.data.zone} ${S.degrees(e.data.temperature_c)}°`;
      const right = x(e.t) + 11 + text.length * 9 < margin.l + width;
      const label = put("spot", text, x(e.t) + (right ? 11 : -11), y(e.data.temperature_c) - 11);
      if (!right) label.style.transform = "translateX(-100%)";
      label.style.color = zoneColour(e.data.zone);
    }
    gaps(put, x, y, width);
    S.labelForecast(put, x, y);
    ends(put, x, y, height);
    holder.replaceChildren(...labels);
  };

  /* A line that breaks is named where it breaks; one that is broken still with its whole name. */
  function gaps(put, x, y, width) {
    lines.forEach((line, i) => {
      let named = 0;
      for (let n = line.t.length - 1; n > 0 && named < 3; n -= 1) {
        const here = line.c[n];
        if (typeof here === "number" || typeof line.c[n - 1] !== "number") continue;
        const left = x(line.t[n]);
        let until = n; // how long it lasts: a flicker needs no name
        while (until < line.t.length - 1 && typeof line.c[until] !== "number") until += 1;
        const still = typeof line.c[until] !== "number";
        if (still && margin.r > 100) continue; // named at its end
        if ((!still && line.t[until] - line.t[n] < 10) || left < margin.l || left > margin.l + width + 2) continue;
        named += 1;
        const what = S.STATUS[Number(here.slice(1))];
        const text = `${S.number(i)} ${what}`;
        const label = put("gap", text, Math.min(left + 2, graph.clientWidth - text.length * 10.5 - 14), y(line.c[n - 1]) - 11);
        label.style.borderColor = S.colour(i);
      }
    });
  }

  /** Labels a line's height apart, each group of them about the middle of where they belong, all within the plot. */
  function spread(wanted, apart, least, most) {
    const groups = [];
    for (const w of wanted) {
      let group = { at: w.y, n: 1 };
      while (groups.length && groups[groups.length - 1].at + groups[groups.length - 1].n * apart > group.at) {
        const above = groups.pop();
        const n = above.n + group.n;
        group = { at: (above.at * above.n + (group.at - above.n * apart) * group.n) / n, n };
      }
      groups.push(group);
    }
    const at = groups.flatMap((g) => Array.from({ length: g.n }, (_, k) => g.at + k * apart));
    wanted.forEach((w, k) => { w.at = Math.max(at[k], k ? wanted[k - 1].at + apart : least); });
    for (let k = wanted.length - 1, end = most; k >= 0; k -= 1) {
      wanted[k].at = Math.min(wanted[k].at, end);
      end = wanted[k].at - apart;
    }
  }

  function ends(put, x, y, height) {
    const narrow = margin.r < 100;
    const wanted = lines.map((line, i) => {
      let n = line.c.length - 1;
      const what = n >= 0 && typeof line.c[n] !== "number" ? S.STATUS[Number(line.c[n].slice(1))] : "";
      if (what && narrow) return null;
      while (n >= 0 && typeof line.c[n] !== "number") n -= 1;
      return n < 0 ? null : { i, what, t: line.t[n], y: y(line.c[n]) };
    }).filter(Boolean).sort((a, b) => a.y - b.y);
    const apart = Math.min(22, (height + 20) / Math.max(1, wanted.length));
    spread(wanted, apart, margin.t - 10, margin.t + height);
    const edge = graph.clientWidth - margin.r;
    for (const w of wanted) {
      const name = narrow ? S.number(w.i) : `${S.number(w.i)} ${w.what || S.probes[w.i].name}`;
      const label = put(w.what ? "end broken" : S.isSilent(w.i) ? "end past" : "end", name, edge + 10, w.at - 11);
      label.style.color = S.colour(w.i);
      if (w.what) continue; // no line from there to here: it would look like readings
      const lead = put("lead", "", Math.min(x(w.t), edge), w.y);
      lead.style.width = `${Math.hypot(edge + 9 - x(w.t), w.at - w.y)}px`;
      lead.style.transform = `rotate(${Math.atan2(w.at - w.y, edge + 9 - x(w.t))}rad)`;
      lead.style.borderColor = S.colour(w.i);
    }
  }
})(window.Stokewatch);
