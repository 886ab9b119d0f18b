/* The fire's pictures: they follow the fire until a finger zooms, and one line can be singled out. */
"use strict";

(() => {
  const S = window.stokewatch;
  const plot = (id) => document.querySelector(`#${id} .js-plotly-plot`);
  const close = (a, b) => a.every((value, n) => Math.abs(value - b[n]) <= 1e-6 * Math.max(1, Math.abs(a[1] - a[0])));
  let ranges = null; // {x, y}: what is shown as long as nobody has zoomed
  let chosen = null; // {kind: "probe" | "zone", which}
  const heard = new WeakSet();

  const axes = (layout) => ({ x: layout.xaxis?.range, y: layout.yaxis?.range });
  const zoomed = (shown) => Boolean(ranges && shown.x && shown.y && !(close(ranges.x, shown.x.map(Number)) && close(ranges.y, shown.y.map(Number))));

  /** A new picture keeps the zoom of the one before; Dash would forget it. */
  S.keepZoom = (id, figure) => {
    const gd = plot(id);
    const shown = gd?.layout && axes(gd.layout);
    if (id === "traces" && shown && zoomed(shown)) {
      figure.layout.xaxis.range = shown.x.slice();
      figure.layout.yaxis.range = shown.y.slice();
    } else if (id === "traces") {
      ranges = { x: figure.layout.xaxis.range.slice(), y: figure.layout.yaxis.range.slice() };
    }
    if (id === "traces") {
      for (const [n, trace] of figure.data.entries()) {
        if (trace.meta?.probe) trace.opacity = dim(trace.meta, n);
      }
    }
  };

  S.follow = (id, next) => {
    const gd = plot(id);
    const shown = gd?.layout && axes(gd.layout);
    const free = !shown?.x || !zoomed(shown);
    ranges = next;
    if (free && shown?.x && zoomed(shown)) window.Plotly.relayout(gd, { "xaxis.range": next.x.slice(), "yaxis.range": next.y.slice() });
  };

  // --- one of them --------------------------------------------------------------------------------------------

  const dim = (meta, n) => (!chosen || (chosen.kind === "zone" ? meta.zone === chosen.which : n === Number(chosen.which)) ? 1 : 0.12);

  function single(next) {
    chosen = next && chosen && next.kind === chosen.kind && next.which === chosen.which ? null : next;
    showChosen();
    const gd = plot("traces");
    if (!gd?.data) return;
    const lines = gd.data.map((trace, n) => [trace, n]).filter(([trace]) => trace.meta?.probe);
    window.Plotly.restyle(
      gd,
      { opacity: lines.map(([trace, n]) => dim(trace.meta, n)) },
      lines.map(([, n]) => n),
    );
  }

  function showChosen() {
    for (const button of document.querySelectorAll("#zones [data-zone], #values [data-probe]")) {
      const own = button.dataset.zone === undefined ? ["probe", button.dataset.probe] : ["zone", button.dataset.zone];
      const pressed = String(Boolean(chosen && chosen.kind === own[0] && chosen.which === own[1]));
      if (button.getAttribute("aria-pressed") !== pressed) button.setAttribute("aria-pressed", pressed);
    }
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("#zones [data-zone], #values [data-probe]");
    if (!button) return;
    single(button.dataset.zone === undefined ? { kind: "probe", which: button.dataset.probe } : { kind: "zone", which: button.dataset.zone });
  });

  /** A double tap shows all lines again, and all of the time. */
  function listen() {
    showChosen();
    for (const id of ["traces", "heat"]) {
      const gd = plot(id);
      if (!gd?.on || heard.has(gd)) continue;
      heard.add(gd);
      gd.on("plotly_doubleclick", () => {
        if (chosen) single(null);
        if (id === "traces" && ranges) window.Plotly.relayout(gd, { "xaxis.range": ranges.x.slice(), "yaxis.range": ranges.y.slice() });
        else window.Plotly.relayout(gd, { "xaxis.autorange": true });
      });
    }
  }
  S.hooks.push(listen);

  /** What is on a graph, for those who can't see it, and for tests: names and points of each line. */
  S.drawn = (id) =>
    (plot(id)?.data || []).map((trace) => ({
      name: trace.name,
      meta: trace.meta || {},
      opacity: trace.opacity,
      x: Array.from(trace.x || []),
      y: Array.from(trace.y || []),
    }));
  S.ranges = () => ({ ...axes(plot("traces").layout), follows: ranges });

  // --- what Dash calls ------------------------------------------------------------------------------------------

  Object.assign(window.dash_clientside.stokewatch, {
    look(view, span, bands) {
      S.want({ view, window_s: span === "whole" ? null : Number(span), bands: bands !== false });
      const hidden = { display: "none" };
      return view === "heat" ? [hidden, {}] : [{}, hidden];
    },
    turn: (side) => ["now", "zones", "log"].map((name) => name !== side),
    open: () => true,
  });
})();
