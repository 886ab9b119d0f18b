/* Labels of our own over the traces: at the lines' ends, on the rulers, at gaps, on marks. */
"use strict";

(function (S) {
  const minutes = (s) => s / 60;

  /** Name what the painter has drawn. */
  S.placeLabels = function (view, lines) {
    const holder = document.getElementById("labels");
    const { left: edge, right, top, range } = view;
    const width = right - edge;
    const height = view.bottom - top;
    const x = (t) => edge + ((minutes(t) - range.x[0]) / (range.x[1] - range.x[0])) * width;
    const y = (c) => top + height - ((S.shown(c) - range.y[0]) / (range.y[1] - range.y[0])) * height;
    const labels = [];
    const put = (className, text, at, above) => {
      const label = S.el("span", className, text);
      label.style.left = `${at}px`;
      label.style.top = `${above}px`;
      labels.push(label);
      return label;
    };
    put("axis", S.unit(), 6, top - 29);
    let free = -1e9; // marks stand in one line at the top: those without room keep their stroke only
    for (const m of S.marks()) {
      const at = x(m.t);
      const long = m.short.length * 9;
      const left = Math.min(at, right - long); // the lines' own names begin there
      if (at < edge || left < free) continue;
      put(`mark ${m.kind}`, m.short, left, 2);
      free = left + long + 14;
    }
    const taken = [];
    for (const s of S.spots()) {
      if (x(s.t) < edge) continue;
      const text = `${s.zone} ${S.degrees(s.c)}°`;
      const fits = x(s.t) + 11 + text.length * 9 < right;
      const label = put("spot", text, x(s.t) + (fits ? 11 : -11), y(s.c) - 11);
      if (!fits) label.style.transform = "translateX(-100%)";
      label.style.color = s.colour;
      const begin = x(s.t) + (fits ? 11 : -11 - text.length * 9);
      taken.push({ left: begin, end: begin + text.length * 9, top: y(s.c) - 11 });
    }
    rulers(put, y, edge, right, taken);
    gaps(put, x, y, view, lines);
    S.labelForecast(put, x, y);
    ends(put, x, y, view, lines);
    holder.replaceChildren(...labels);
  };

  /* Each above its own line, or under it, or further along: never over another. */
  function rulers(put, y, edge, right, taken) {
    for (const r of S.rulers().sort((a, b) => b.c - a.c)) {
      const text = `${r.label} ${S.degrees(r.c)}°`;
      const long = text.length * 9;
      const along = Math.max(edge, ...taken.filter((box) => box.left < edge + 200).map((box) => box.end)) + 14;
      const places = [[edge + 8, y(r.c) - 21], [edge + 8, y(r.c) + 1], [along, y(r.c) - 21]];
      const free = places.find(([left, top]) => left + long < right
        && taken.every((box) => left > box.end || left + long < box.left || Math.abs(top - box.top) >= 20));
      if (!free) continue; // no room: its line stands there all the same
      const [left, top] = free;
      taken.push({ left, top, end: left + long });
      put("ruler", text, left, top);
    }
  }

  /* A line that breaks is named where it breaks; one that is broken still with its whole name. */
  function gaps(put, x, y, view, lines) {
    lines.forEach((line, i) => {
      let named = 0;
      for (let n = line.t.length - 1; n > 0 && named < 3; n -= 1) {
        const here = line.c[n];
        if (typeof here === "number" || typeof line.c[n - 1] !== "number") continue;
        const left = x(line.t[n]);
        let until = n; // how long it lasts: a flicker needs no name
        while (until < line.t.length - 1 && typeof line.c[until] !== "number") until += 1;
        const still = typeof line.c[until] !== "number";
        if (still && !view.narrow) continue; // named at its end
        if ((!still && line.t[until] - line.t[n] < 10) || left < view.left || left > view.right + 2) continue;
        named += 1;
        const what = S.STATUS[Number(here.slice(1))];
        const text = `${S.number(i)} ${what}`;
        const label = put("gap", text, Math.min(left + 2, view.width - text.length * 10.5 - 14), y(line.c[n - 1]) - 11);
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

  function ends(put, x, y, view, lines) {
    const { narrow, top, bottom, right: edge } = view;
    const wanted = lines.map((line, i) => {
      let n = line.c.length - 1;
      const what = n >= 0 && typeof line.c[n] !== "number" ? S.STATUS[Number(line.c[n].slice(1))] : "";
      if (what && narrow) return null;
      while (n >= 0 && typeof line.c[n] !== "number") n -= 1;
      return n < 0 ? null : { i, what, t: line.t[n], y: y(line.c[n]) };
    }).filter(Boolean).sort((a, b) => a.y - b.y);
    const apart = Math.min(22, (bottom - top + 20) / Math.max(1, wanted.length));
    spread(wanted, apart, top - 10, bottom);
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
