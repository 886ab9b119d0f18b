/* The Fire page's pictures: they follow the fire until a finger zooms, and again after a double tap. */
"use strict";

(() => {
  const S = window.stokewatch;
  const { plot } = S;
  const close = (a, b) => a.every((value, n) => Math.abs(value - b[n]) <= 1e-6 * Math.max(1, Math.abs(a[1] - a[0])));
  let [ranges, picture] = [null, 0]; // {x, y}: shown until somebody zooms; the newest picture's number
  let [held, late] = [false, 0]; // whether somebody has zoomed; a range waiting for its picture
  const [heard, coming] = [new WeakSet(), []]; // graphs listened to; points still to be added to the newest picture
  const axes = (layout) => ({ x: layout.xaxis?.range, y: layout.yaxis?.range });
  const zoomed = (shown) => Boolean(ranges && shown.x && shown.y && !(close(ranges.x, shown.x.map(Number)) && close(ranges.y, shown.y.map(Number))));
  const show = (gd, r) => window.Plotly.relayout(gd, { "xaxis.range": r.x.slice(), "yaxis.range": r.y.slice() });

  const isDrawn = () => plot("traces")?.layout?.meta === picture;

  /** A new picture keeps the last one's zoom and what was singled out; Dash would forget both. */
  S.keepZoom = (id, { layout, data }) => {
    if (id !== "traces") return;
    coming.length = 0; // the new picture includes it
    clearTimeout(late);
    const there = plot(id)?.layout;
    if (!there?.meta || isDrawn()) held = Boolean(there?.meta) && zoomed(axes(there)); // otherwise unchanged: an older picture is on screen
    layout.meta = ++picture;
    if (held) [layout.xaxis.range, layout.yaxis.range] = [there.xaxis.range.slice(), there.yaxis.range.slice()];
    else ranges = { x: layout.xaxis.range.slice(), y: layout.yaxis.range.slice() };
    for (const [n, trace] of data.entries()) if (trace.meta?.probe) trace.opacity = plot(id)?.data?.[n]?.opacity ?? 1;
  };

  S.follow = (id, next) => {
    clearTimeout(late);
    if (!isDrawn()) late = setTimeout(S.follow, 250, id, next);
    if (!isDrawn()) return;
    const shown = axes(plot(id).layout);
    held = zoomed(shown);
    ranges = next;
    if (!held && zoomed(shown)) show(plot(id), next);
  };

  /** A double tap shows all lines and the whole time again. */
  function listen() {
    for (const id of ["traces", "heat"]) {
      const gd = plot(id);
      if (!gd?.on || heard.has(gd)) continue;
      heard.add(gd);
      gd.on("plotly_doubleclick", () => {
        S.set("fire-all", { data: Date.now() });
        if (id === "traces" && ranges) show(gd, ranges);
        else window.Plotly.relayout(gd, { "xaxis.autorange": true });
      });
    }
  }
  /* Not by `extendData`: if dcc.Graph gets that together with a picture, it appends the points again each time. */
  S.grow = (more) => coming.push(more);
  const grow = () => isDrawn() && coming.splice(0).map((more) => window.Plotly.extendTraces(plot("traces"), ...more));
  S.hooks.push(listen, grow, () => S.state !== "opening" && S.want({})); // the tablet may have been turned
  S.follows = () => ranges;

  window.dash_clientside.stokewatch.look = (view, span, bands) => {
    S.want({ view, window_s: span === "whole" ? null : Number(span), bands: bands !== false });
    const hidden = { display: "none" };
    return view === "heat" ? [hidden, {}] : [{}, hidden];
  };
})();
