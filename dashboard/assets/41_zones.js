/* The verdict of each zone, the coldest first: what it is at, what it still needs, and what it has had. */
"use strict";

(function (S) {
  const $ = (id) => document.getElementById(id);
  let forecasts = {}; // by zone: words

  let cards = {}; // by zone: [°C, °C/min, peak, min above burn-out, min of soak, what is missing, how]

  S.setZones = (given) => { cards = given || {}; };
  S.addZones = (given) => { Object.assign(cards, given); };

  S.zoneForecast = (zone) => (forecasts[zone] && forecasts[zone].words) || "";
  S.takeForecasts = (given) => { forecasts = (given && given.zones) || {}; };

  function show() {
    const verdict = S.verdict();
    const zones = Object.entries(cards)
      .map(([zone, [c, rate, peak, above, soak, missing, how]]) => ({ zone, c, rate, peak, above, soak, missing, how }))
      .filter((z) => z.how !== "coals") // they need not reach anything
      .map((z) => ({ ...z, pots: S.potsOf(z.zone) }))
      .sort((a, b) => (a.c ?? 1e9) - (b.c ?? 1e9));
    const live = S.state() === "fresh" && S.firing && S.firing.ended_s === null;
    $("zones").hidden = !zones.length || !live;
    const key = JSON.stringify([zones, forecasts, S.choices.unit, verdict && verdict.coldest]);
    if (key === show.shown) return;
    show.shown = key;
    $("zones").replaceChildren(...zones.map((z) => card(z, verdict && verdict.coldest)));
    S.reachByKey($("zones"));
    $("pots-counts").textContent = whichCounts(zones);
  }

  /** Of two numbers for one zone, the one that verdict, target and soak go by. */
  function whichCounts(zones) {
    const pots = zones.filter((z) => z.how === "estimate").length;
    if (!pots) return "What counts is what the probes read: the large number at each zone. This is a model's advice beside it.";
    return pots === zones.length ? "These are the numbers that count, for verdict, target and soak."
      : "They count where a zone says “by the estimate of the pots”; elsewhere the probes do.";
  }

  function card(z, coldest) {
    const row = S.el("li", z.zone === coldest ? "needs coldest" : "needs");
    const first = S.el("div", "line");
    first.append(S.el("b", "", z.zone));
    if (z.rate !== null && z.how !== "faulty") first.append(S.el("span", "pace", S.rate(z.rate).replace(/(\.\d)? °.\/min/, "/min")));
    first.append(S.el("span", "level", z.c === null ? "–" : `${S.degrees(z.c)}°`));
    row.append(first, S.el("p", "missing", z.missing ? inShort(z.missing) : "Had its target and its soak"));
    const had = [/not yet above/.test(z.missing) && "no burn-out yet", z.pots && `pots ${z.pots}`, ...history(z)].filter(Boolean);
    if (had.length) {
      const line = S.el("p", "had");
      line.append(...had.flatMap((words, n) => [n ? " · " : "", S.el("span", "", words)])); // each stays in one line
      row.append(line);
    }
    const ahead = z.zone === coldest ? "" : S.zoneForecast(z.zone); // the coldest's stands in the heading
    if (ahead) row.append(S.el("p", "ahead", inShort(ahead)));
    return row;
  }

  /** The judgement's sentence in a card's width; at how many degrees burn-out is stands among the traces. */
  function inShort(sentence) {
    return S.capital(S.inUnit(sentence)
      .replace(/ °. below its target/, "° below target")
      .replace(/; not yet above burn-out \(.*?\)/, "") // stands in the line below
      .replace(/, below burn-out \(.*?\)/, ", below burn-out")
      .replace(/ as it is going$/, "")
      .replace(/may not reach (its )?(\S+) without more wood/, "$2 may need more wood")
      .replace(/will not reach (its )?(\S+) without more wood/, "$2 needs more wood"));
  }

  function history(z) {
    if (z.how === "faulty") return [];
    const words = [];
    if (z.peak !== null && z.c !== null && z.peak > z.c + 15) words.push(`peak ${S.degrees(z.peak)}°`);
    if (z.above) words.push(`burn-out ${z.above} min`);
    if (z.soak || (z.peak ?? 0) >= S.firing.target_c) words.push(`soak ${z.soak}/${S.firing.soak_min} min`);
    if (z.how === "estimate") words.push("by the estimate of the pots");
    return words;
  }

  S.showZones = show;
})(window.Stokewatch);
