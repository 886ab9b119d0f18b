/* What things are called, and how numbers are written. Everything hangs on one name, for there is no bundler. */
"use strict";
window.Stokewatch = {};

(function (S) {
  const OK = 0;
  const ABSENT = 7;
  S.BEYOND = 4; // no fault of the probe: it is hotter than it can tell
  S.OK = OK;
  S.ABSENT = ABSENT;

  // By the numbers of logger.reading.Status.
  S.STATUS = ["", "open", "shorted to ground", "shorted to supply", "beyond range", "garbled", "no cold junction",
    "no data"];
  S.READS = { coals: "coals", air: "air", wall: "wall", surface: "infrared" };
  S.STAGES = { drying: "Drying", climb: "Climb", peak: "Peak", burn_down: "Burn-down", cooling: "Cooling" };

  S.isFahrenheit = () => S.choices.unit === "F";
  S.shown = (c) => (c === null ? null : S.isFahrenheit() ? c * 1.8 + 32 : c);
  S.unit = () => (S.isFahrenheit() ? "°F" : "°C");
  S.degrees = (c) => Math.round(S.shown(c)).toString();

  S.rate = function (cMin) {
    if (cMin === null) return "";
    const value = S.isFahrenheit() ? cMin * 1.8 : cMin;
    const size = Math.abs(value);
    const number = size < 9.95 ? size.toFixed(1) : size.toFixed(0);
    // The sign is told by an arrow too: a minus is easily lost in the sun.
    const arrow = size < 0.5 ? "▬" : value > 0 ? "▲" : "▼";
    return `${arrow} ${value < 0 ? "−" : "+"}${number} ${S.unit()}/min`;
  };

  /** A sentence of the server's, which thinks in °C: "37 °C below" is a difference, "at 642 °C" is not. */
  S.inUnit = function (text) {
    if (!S.isFahrenheit()) return text;
    return String(text)
      .replace(/(\d+(?:\.\d+)?) °C\/min/g, (_, c) => `${Math.round(c * 1.8)} °F/min`)
      .replace(/(Spread|lost|lose|by) (\d+) °C/g, (_, word, c) => `${word} ${Math.round(c * 1.8)} °F`)
      .replace(/(\d+) °C (below|short|hotter|above|cooler)/g, (_, c, word) => `${Math.round(c * 1.8)} °F ${word}`)
      .replace(/([-−]?\d+)([–-])(\d+) °C/g, (_, a, dash, b) => `${S.degrees(Number(a))}${dash}${S.degrees(Number(b))} °F`)
      .replace(/([-−]?\d+(?:\.\d+)?) °C/g, (_, c) => `${S.degrees(Number(c.replace("−", "-")))} °F`);
  };

  S.age = function (s) {
    if (s < 1.5) return "now";
    if (s < 90) return `${Math.round(s)} s ago`;
    if (s < 5400) return `${Math.round(s / 60)} min ago`;
    return `${(s / 3600).toFixed(1)} h ago`;
  };

  S.span = function (s) {
    const minutes = Math.max(0, Math.floor(s / 60));
    return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
  };

  S.capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

  /** An element with text; names and notes are never taken for markup. */
  S.el = function (tag, className, text) {
    const made = document.createElement(tag);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  };

  S.svg = function (tag, attributes, text) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(attributes || {})) made.setAttribute(name, value);
    if (text !== undefined) made.textContent = text;
    return made;
  };

  // A tablet that sleeps may stop one clock and not the other: the longer of the two is the safer.
  S.mark = () => ({ monotonic: performance.now(), wall: Date.now() });
  S.since = (mark) => Math.max(performance.now() - mark.monotonic, Date.now() - mark.wall, 0) / 1000;

  /* How a probe's line looks: number, colour and dashes, so that none of them has to be seen to tell it apart. */
  // Each at least 7 : 1 on its paper, for the labels in these colours are read in the sun.
  const DAY = ["#0b4f8a", "#963003", "#005c45", "#75286a", "#704a00", "#1d1815", "#075865", "#981a57"];
  const NIGHT = ["#7cc0ff", "#ff9a5c", "#5fd6a8", "#e39ad6", "#f0c75e", "#f3ead9", "#6fd3e0", "#ff8fb5"];
  const DASHES = ["solid", "9px,4px", "3px,4px", "14px,4px,3px,4px", "6px,8px"];
  S.colour = (i) => (S.choices.theme === "night" ? NIGHT : DAY)[i % 8];
  S.dash = (i) => DASHES[i % 5];

  /* What glows, glows as it does to the eye: clay, soot, dull red from about 520 °C, cherry, orange, yellow. */
  const HEAT = [[20, [196, 178, 152]], [250, [139, 122, 104]], [450, [84, 64, 54]], [560, [104, 28, 16]],
    [680, [168, 40, 14]], [760, [214, 74, 14]], [840, [243, 134, 30]], [940, [255, 201, 92]]];
  S.heat = function (c) {
    if (c === null) return "var(--slip)";
    const last = HEAT.length - 1;
    if (c <= HEAT[0][0]) return `rgb(${HEAT[0][1]})`;
    if (c >= HEAT[last][0]) return `rgb(${HEAT[last][1]})`;
    const k = HEAT.findIndex((step) => step[0] > c);
    const [c0, from] = HEAT[k - 1];
    const [c1, to] = HEAT[k];
    const share = (c - c0) / (c1 - c0);
    return `rgb(${from.map((v, j) => Math.round(v + share * (to[j] - v)))})`;
  };
})(window.Stokewatch);
