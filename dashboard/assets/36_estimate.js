/* What the pots themselves are at, by the model: a band behind the traces, and a line of words for each zone. */
"use strict";

(function (S) {
  const EVERY_MS = 10_000; // the journal keeps a row every ten seconds; nothing more is to be seen in a band
  const BREAK_S = 45;
  const WORDS = { spot: "from spot readings", neighbours: "from its neighbours", nothing: "no longer known" };
  const $ = (id) => document.getElementById(id);

  let lines = {}; // by zone: {t, c, lo, hi}, seconds and °C
  let now = {}; // by zone: [°C, least, most, what it stands on, proved consistent]
  let drawnAt = -EVERY_MS;

  S.setEstimates = function (estimates, verdict) {
    lines = estimates || {};
    now = {};
    takeNow(verdict);
    showZones();
  };

  /** Take what the judgement says now; `t` is the firing's time. [s] */
  S.addEstimates = function (verdict, t) {
    takeNow(verdict);
    for (const [zone, [c, lo, hi]] of Object.entries(now)) {
      const line = lines[zone] ||= { t: [], c: [], lo: [], hi: [] };
      if (line.t.length && t - line.t[line.t.length - 1] < 10) continue;
      line.t.push(t);
      line.c.push(c);
      line.lo.push(lo);
      line.hi.push(hi);
    }
    showZones();
    if (bandsDrawn() && performance.now() - drawnAt > EVERY_MS) S.redrawTraces();
  };

  const takeNow = (verdict) => { now = (verdict && verdict.estimates) || {}; };
  const bandsDrawn = () => S.choices.bands === "on" && Object.keys(lines).length > 0;

  /** The probe whose colour stands for its zone's pots: one that touches a wall before one beside it. */
  function probeOf(zone, probes = S.probes) {
    const here = probes.map((p, i) => i).filter((i) => probes[i].zone === zone && probes[i].reads !== "coals");
    return here.find((i) => probes[i].reads === "wall") ?? here[0] ?? null;
  }

  const heightOf = (zone) => (probeOf(zone) === null ? -1e9 : S.probes[probeOf(zone)].height_cm ?? -1e9);
  const ink = () => getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
  const colourOf = (zone, probes) => {
    const i = probeOf(zone, probes);
    return i === null ? ink() : S.colour(i);
  };
  S.potsColour = colourOf;

  /** The numbers of a line's points from a time on, apart where it breaks. */
  S.stretches = stretches;
  function stretches(line, from, scale = S.scale()) {
    const found = [];
    for (let n = 0; n < line.t.length; n += 1) {
      if (line.t[n] < from) continue;
      const usual = Math.max(BREAK_S, 3 * scale, (line.t[line.t.length - 1] - line.t[0]) / line.t.length * 2.5);
      if (!found.length || line.t[n] - line.t[n - 1] > usual) found.push([]);
      found[found.length - 1].push(n);
    }
    return found;
  }

  S.underlays.push(function bands() {
    if (!bandsDrawn()) return [];
    drawnAt = performance.now();
    const newest = Math.max(...Object.values(lines).map((l) => l.t[l.t.length - 1] ?? 0));
    const from = S.windowS() === null ? -1 : newest - S.windowS();
    return Object.entries(lines).map(([zone, line]) => {
      const found = { name: `pots, ${zone}`, fill: veil(colourOf(zone)), x: [], low: [], high: [] };
      for (const part of stretches(line, from)) {
        for (const n of found.x.length ? [null, ...part] : part) {
          found.x.push(n === null ? null : line.t[n] / 60);
          found.low.push(n === null ? null : S.shown(line.lo[n]));
          found.high.push(n === null ? null : S.shown(line.hi[n]));
        }
      }
      return found;
    });
  });

  S.potsC = (zone) => (now[zone] ? now[zone][0] : null);

  /** What a zone's pots are at, with the band's half; empty where nothing is estimated. */
  S.potsOf = function (zone) {
    if (!now[zone]) return "";
    const [c, lo, hi] = now[zone];
    return `${S.degrees(c)}° ± ${Math.round(((hi - lo) / 2) * (S.isFahrenheit() ? 1.8 : 1))}°`;
  };

  S.veil = veil;
  function veil(colour) {
    const [r, g, b] = [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16));
    return `rgba(${r}, ${g}, ${b}, ${S.choices.theme === "night" ? 0.34 : 0.26})`;
  }

  function showZones() {
    const zones = Object.keys(now).sort((a, b) => heightOf(b) - heightOf(a)); // from the top down, as the probes
    $("pots").hidden = !zones.length && !Object.keys(lines).length;
    $("choose-bands").hidden = !Object.keys(lines).length;
    const key = JSON.stringify([zones.map((z) => [z, ...now[z]]), S.choices.unit, S.choices.theme]);
    if (showZones.shown === key) return;
    showZones.shown = key;
    $("pots-zones").replaceChildren(...zones.map((zone) => {
      const [, , , basis, consistent] = now[zone];
      const row = S.el("li");
      const patch = S.el("i", "patch");
      patch.style.background = veil(colourOf(zone));
      patch.style.borderColor = colourOf(zone);
      row.append(patch, S.el("span", "zone", zone), S.el("b", "", S.potsOf(zone)));
      const said = WORDS[basis] || (consistent ? "" : "not yet sure");
      if (said) row.append(S.el("span", "how", said));
      return row;
    }));
  }
  S.showPots = showZones;
})(window.Stokewatch);
