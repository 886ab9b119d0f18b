/* What is to come of the coldest zone as it is going: a band from now on, and its middle in dashes. */
"use strict";

(function (S) {
  const EVERY_MS = 10_000; // no need to draw anew for every few degrees
  const FURTHEST_MIN = 20;

  let zones = {}; // by zone: {at_s, words, ahead_s, low_c, middle_c, high_c}
  let said = "";
  let coldest = null;
  let drawnAt = -EVERY_MS;
  let drawn = null; // {zone, at_s}

  /** How far ahead is drawn beside so much that has been. [min] */
  S.furthestMin = (spanMin) => Math.min(FURTHEST_MIN, Math.max(2, 0.25 * spanMin));
  S.aheadMin = (spanMin) => (told() ? S.furthestMin(spanMin) : 0);

  S.setForecast = function (forecast, verdict) {
    if (forecast !== undefined) {
      zones = (forecast && forecast.zones) || {};
      said = (forecast && forecast.words) || "";
      words();
    }
    coldest = (verdict && verdict.coldest) || null;
  };

  /** Draw anew if what is drawn is another zone's or old; a new snapshot draws by itself. */
  S.dueForecast = function () {
    const now = told();
    const other = (now ? coldest : null) !== (drawn && drawn.zone);
    const newer = now && drawn && now.at_s !== drawn.at_s && performance.now() - drawnAt > EVERY_MS;
    if (other || newer) S.redrawTraces();
  };

  function words() {
    const line = document.getElementById("come");
    const sentence = said ? `${S.spoken(said)}.` : "";
    if (line.textContent !== sentence) line.textContent = sentence;
  }

  /** None once the firing has ended: nothing comes any more that anybody would see. */
  function told() {
    return S.firing && S.firing.ended_s === null && coldest !== null ? zones[coldest] || null : null;
  }

  function colour() {
    const here = S.probes.map((p, i) => i).filter((i) => S.probes[i].zone === coldest && S.probes[i].reads !== "coals");
    return here.length ? S.colour(here.find((i) => S.probes[i].reads === "wall") ?? here[0])
      : getComputedStyle(document.documentElement).getPropertyValue("--ink").trim();
  }

  S.underlays.push(function forecast() {
    const now = told();
    words(); // the unit may have changed
    drawnAt = performance.now();
    drawn = now && { zone: coldest, at_s: now.at_s };
    if (!now) return [];
    const most = S.aheadMin(S.windowS() === null ? now.at_s / 60 : S.windowS() / 60);
    const points = cut(now, most);
    const x = points.map((p) => p.min);
    const own = colour();
    const [low, middle, high] = ["low", "middle", "high"].map((key) => points.map((p) => S.shown(p[key])));
    const edge = { x, colour: own, width: 1, dash: "2px,4px" };
    return [
      { name: "to come, between", x, low, high, fill: `${own}1f` },
      { ...edge, name: "to come, least", y: low },
      { ...edge, name: "to come, most", y: high },
      { ...edge, name: "to come", y: middle, width: 2.2, dash: "7px,5px" },
    ];
  });

  /** A forecast's points up to so many minutes ahead; the last one on the straight line to the next. */
  S.cutForecast = cut;
  function cut(now, most) {
    const points = now.ahead_s.map((s, n) => ({ min: (now.at_s + s) / 60, low: now.low_c[n], middle: now.middle_c[n], high: now.high_c[n] }));
    const end = now.at_s / 60 + most;
    const inside = points.filter((p) => p.min <= end);
    const [before, after] = [inside[inside.length - 1], points[inside.length]];
    if (!after) return inside;
    const share = (end - before.min) / (after.min - before.min);
    const between = (key) => before[key] + share * (after[key] - before[key]);
    return inside.concat({ min: end, low: between("low"), middle: between("middle"), high: between("high") });
  }

  /** One label: whose it is, and on what condition. */
  S.labelForecast = function (put, x, y) {
    const now = told();
    if (!now) return;
    const last = cut(now, S.aheadMin(S.windowS() === null ? now.at_s / 60 : S.windowS() / 60)).pop();
    const label = put("come", `${coldest}, as it is going`, x(last.min * 60) - 6, y(0) - 26); // where seldom anything else is
    label.style.transform = "translateX(-100%)";
    label.style.color = colour();
  };
})(window.Stokewatch);
