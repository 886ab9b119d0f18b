/* Paints the traces on a canvas. A line's new points are added to what is there; nothing else is painted again. */
"use strict";

(function (S) {
  const WIDTH = 2.6;
  const Y_STEPS = [10, 20, 50, 100, 200, 250, 500];
  const X_STEPS = [0.5, 1, 2, 3, 5, 10, 15, 20, 30, 60, 120, 240, 480, 720];

  const dashes = (dash) => (dash === "solid" ? [] : dash.split(",").map((part) => parseFloat(part)));
  const stepOf = (steps, span, most) => steps.find((step) => span / step <= most) || steps[steps.length - 1];

  S.makePainter = function (holder) {
    const canvas = S.el("canvas");
    const pen = canvas.getContext("2d");
    holder.replaceChildren(canvas);
    const view = { width: 0, height: 0, left: 0, right: 0, top: 0, bottom: 0, range: null };
    let pens = []; // by line: where its pen stands {colour, dash, at, gone}
    let drawn = []; // by line: {x, y}, what has been painted of it
    let css = null;

    const px = (x) => view.left + ((x - view.range.x[0]) / (view.range.x[1] - view.range.x[0])) * (view.right - view.left);
    const py = (y) => view.bottom - ((y - view.range.y[0]) / (view.range.y[1] - view.range.y[0])) * (view.bottom - view.top);

    function outgrown() {
      return holder.clientWidth !== view.width || holder.clientHeight !== view.height || window.devicePixelRatio !== view.ratio;
    }

    /** Take the panel's size; false where it has none. */
    function fit() {
      if (outgrown()) {
        view.width = holder.clientWidth;
        view.height = holder.clientHeight;
        view.ratio = window.devicePixelRatio;
        canvas.width = Math.round(view.width * view.ratio);
        canvas.height = Math.round(view.height * view.ratio);
        canvas.style.width = `${view.width}px`;
        canvas.style.height = `${view.height}px`;
      }
      view.narrow = view.width < 480;
      view.left = 52;
      view.right = view.width - (view.narrow ? 40 : 176); // the names of the lines stand there
      view.top = 30;
      view.bottom = view.height - 50;
      return view.right > view.left && view.bottom > view.top;
    }

    /** Paint what stands under the lines, on an empty canvas. */
    function frame(range, { stages, rulers, marks, under }) {
      view.range = range;
      css = getComputedStyle(document.documentElement);
      pens = [];
      drawn = [];
      pen.setTransform(view.ratio, 0, 0, view.ratio, 0, 0);
      pen.clearRect(0, 0, view.width, view.height);
      pen.lineJoin = "round";
      inPlot(() => {
        pen.fillStyle = own("--clay");
        for (const { tint, x0, x1 } of stages) {
          pen.globalAlpha = tint;
          const [from, to] = [px(x0), Math.min(px(x1), view.right)];
          pen.fillRect(from, view.top, to - from, view.bottom - view.top);
        }
        pen.globalAlpha = 1;
      });
      axes();
      inPlot(() => {
        for (const r of rulers) stroke([[view.left, py(r.y)], [view.right, py(r.y)]], own("--rule"), r.width, dashes(r.dash));
        for (const m of marks) stroke([[px(m.x), view.top], [px(m.x), view.bottom]], own(m.loud ? "--alarm" : "--rule"), 1, [1, 3]);
        for (const drawing of under) (drawing.fill ? band : underline)(drawing);
      });
    }

    const own = (name) => css.getPropertyValue(name).trim();

    function inPlot(paint) {
      pen.save();
      pen.beginPath();
      pen.rect(view.left, view.top - 4, view.right - view.left, view.bottom - view.top + 4);
      pen.clip();
      paint();
      pen.restore();
    }

    function stroke(points, colour, width, dash) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.setLineDash(dash);
      pen.beginPath();
      points.forEach(([x, y], n) => (n ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      pen.stroke();
    }

    function axes() {
      const ink = own("--ink");
      const { range, left, right, top, bottom } = view;
      pen.fillStyle = ink;
      pen.font = `16px ${own("--face")}`;
      const yStep = stepOf(Y_STEPS, range.y[1] - range.y[0], Math.max(2, (bottom - top) / 42));
      pen.textAlign = "right";
      pen.textBaseline = "middle";
      for (let y = Math.ceil(range.y[0] / yStep) * yStep; y <= range.y[1]; y += yStep) {
        stroke([[left, py(y)], [right, py(y)]], own("--faint"), 1, []);
        stroke([[left - 5, py(y)], [left, py(y)]], ink, 1, []);
        pen.fillText(String(y), left - 8, py(y));
      }
      const xStep = stepOf(X_STEPS, range.x[1] - range.x[0], Math.min(7, Math.max(2, (right - left) / 70)));
      pen.textAlign = "center";
      pen.textBaseline = "top";
      for (let x = Math.ceil(range.x[0] / xStep) * xStep; x <= range.x[1]; x += xStep) {
        stroke([[px(x), bottom], [px(x), bottom + 5]], ink, 1, []);
        pen.fillText(String(x), px(x), bottom + 8);
      }
      pen.textBaseline = "bottom";
      pen.fillText("minutes since the first reading", (left + right) / 2, view.height - 2);
      stroke([[left, top], [left, bottom], [right, bottom]], ink, 1, []);
    }

    /** Runs of points between breaks, in pixels. */
    function runs(x, y) {
      const found = [];
      let run = null;
      x.forEach((at, n) => {
        if (at === null || y[n] === null) {
          run = null;
          return;
        }
        if (!run) found.push(run = []);
        run.push([px(at), py(y[n])]);
      });
      return found;
    }

    function underline({ x, y, colour, width, dash }) {
      for (const run of runs(x, y)) stroke(run, colour, width, dashes(dash));
    }

    function band({ x, low, high, fill }) {
      pen.fillStyle = fill;
      const tops = runs(x, high);
      runs(x, low).forEach((bottoms, n) => {
        pen.beginPath();
        tops[n].concat(bottoms.reverse()).forEach(([at, y], k) => (k ? pen.lineTo(at, y) : pen.moveTo(at, y)));
        pen.fill();
      });
    }

    function line(i, points, colour, dash) {
      pens[i] = { colour, dash: dashes(dash), at: null, gone: 0 };
      drawn[i] = { x: [], y: [] };
      more(i, points);
    }

    /** Go on with a line, and with its dashes, from where its pen stands. */
    function more(i, { x, y }) {
      if (!x.length) return;
      const own = pens[i];
      inPlot(() => {
        pen.strokeStyle = own.colour;
        pen.lineWidth = WIDTH;
        pen.setLineDash(own.dash);
        pen.lineDashOffset = own.gone;
        pen.beginPath();
        if (own.at) pen.moveTo(...own.at);
        x.forEach((at, n) => {
          if (y[n] === null) {
            own.at = null;
            own.gone = 0; // a new run begins with a whole dash
            return;
          }
          const to = [px(at), py(y[n])];
          if (own.at) {
            own.gone += Math.hypot(to[0] - own.at[0], to[1] - own.at[1]);
            pen.lineTo(...to);
          } else {
            pen.moveTo(...to);
          }
          own.at = to;
        });
        pen.stroke();
      });
      drawn[i].x.push(...x);
      drawn[i].y.push(...y);
    }

    function spots(found) {
      inPlot(() => {
        pen.setLineDash([]);
        pen.lineWidth = 2;
        pen.strokeStyle = own("--paper");
        for (const { x, y, colour } of found) {
          pen.fillStyle = colour;
          pen.beginPath();
          [[0, -9], [9, 0], [0, 9], [-9, 0]].forEach(([dx, dy], n) => (n ? pen.lineTo(px(x) + dx, py(y) + dy) : pen.moveTo(px(x) + dx, py(y) + dy)));
          pen.closePath();
          pen.fill();
          pen.stroke();
        }
      });
    }

    return { view, fit, outgrown, frame, line, more, spots, get drawn() { return drawn; } };
  };
})(window.Stokewatch);
