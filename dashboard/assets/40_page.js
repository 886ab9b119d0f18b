/* The page around the traces: values at their heights, what must not be overlooked, what happened, and choices. */
"use strict";

(function (S) {
  const SILENT_S = 5; // a probe that says nothing for so long is stale, whatever the others do
  const QUIET_S = 2.5; // so that it is said within 3 s
  const RIG_S = 2; // less, for it comes by way of the logger
  const SECTION_MS = 1000;
  const $ = (id) => document.getElementById(id);

  S.choices = { window: "whole", unit: "C", theme: "day", bands: "on" };
  S.probes = [];
  S.firing = null;
  S.now = []; // by probe: [°C, °C/min, status, time of the value, time of the newest reading, ± °C]
  S.events = [];
  S.link = "opening"; // opening, open, lost
  let at = null; // the logger's own now, in the firing's time [s]
  let scale = 1;
  let quiet = null; // how long the logger had been silent when the server last spoke [s]
  let heard = S.mark();
  let spoken = 0; // readings in the journal
  let standing = [];
  let verdict = null;
  let trouble = null;
  let unrecorded = false;
  let sources = [];
  const take = [];
  /** Have a part of the page told whenever something has come or been chosen. */
  S.onChange = (tell) => take.push(tell);
  S.verdict = () => verdict;
  S.standing = () => standing;
  S.state = () => pageState();
  S.spoken = (text) => S.capital(S.inUnit(text));
  const tellAll = () => take.forEach((tell) => tell());
  let order = []; // probes from the top of the stack down, those without a height last
  let numbers = [];

  S.windowS = () => (S.choices.window === "whole" ? null : Number(S.choices.window));
  S.scale = () => scale;
  S.number = (i) => String(numbers[i] ?? i + 1);
  S.currentC = (i) => (S.now[i] && S.now[i][2] === S.OK && !S.isSilent(i) ? S.now[i][0] : null);
  S.isSilent = function (i) {
    const newestT = S.now[i] ? S.now[i][4] : null;
    return newestT === null || (running() && ageOf(newestT) > Math.max(SILENT_S, usualS(i) * 2.5));
  };

  // --- choices, kept in this browser -----------------------------------------------------------------------

  const OFFERED = { window: ["whole", "1800", "600"], unit: ["C", "F"], theme: ["day", "night"], bands: ["on", "off"] };

  // Before anything is drawn: the feed asks for the window, and the paper should have its colour from the start.
  if (window.matchMedia("(prefers-color-scheme: dark)").matches) S.choices.theme = "night";
  for (const [name, offered] of Object.entries(OFFERED)) {
    let kept = null;
    try { kept = window.localStorage.getItem(`stokewatch.${name}`); } catch { /* a browser that keeps nothing */ }
    if (offered.includes(kept)) S.choices[name] = kept;
  }
  document.documentElement.dataset.theme = S.choices.theme;

  function showChoices() {
    document.documentElement.dataset.theme = S.choices.theme;
    for (const button of document.querySelectorAll("[data-choice]")) {
      button.setAttribute("aria-pressed", String(S.choices[button.dataset.choice] === button.dataset.value));
    }
  }

  function choose(name, value) {
    if (S.choices[name] === value) return;
    S.choices[name] = value;
    try { window.localStorage.setItem(`stokewatch.${name}`, value); } catch { /* then it lasts until a reload */ }
    showChoices();
    if (name === "window") S.askSnapshot();
    S.fillValues();
    drawStack();
    S.showPots();
    showAlarms(standing, true);
    showEvents();
    tellAll();
    S.redrawTraces();
  }

  S.startPage = function () {
    showChoices();
    for (const button of document.querySelectorAll("[data-choice]")) {
      button.addEventListener("click", () => choose(button.dataset.choice, button.dataset.value));
    }
    let pending = null;
    const sized = new ResizeObserver(() => {
      clearTimeout(pending);
      pending = setTimeout(() => { S.layoutStack(); S.resizeTraces(); }, 120);
    });
    for (const part of ["page", "stack", "chart"]) sized.observe($(part)); // a banner moves them too
    new ResizeObserver(() => {
      document.documentElement.style.setProperty("--foot", `${$("foot").offsetHeight}px`);
      for (const part of ["banners", "zones"]) S.reachByKey($(part));
    }).observe($("foot"));
    unfold($("view"));
    unfold($("more"), ["Fewer", "More"]);
    setInterval(S.tick, 250);
  };

  /** A button that shows or hides what belongs to it; how, is told by the style sheet. */
  function unfold(button, words) {
    button.addEventListener("click", () => {
      const open = button.getAttribute("aria-expanded") !== "true";
      button.setAttribute("aria-expanded", String(open));
      if (words) button.textContent = words[open ? 0 : 1];
    });
  }

  /** What scrolls within itself can be scrolled by the keyboard; what doesn't is no stop on the way. */
  S.reachByKey = function (part) {
    if (part.scrollHeight > part.clientHeight + 1) part.tabIndex = 0;
    else part.removeAttribute("tabindex");
  };

  // --- what came --------------------------------------------------------------------------------------------

  S.hear = function (message) {
    heard = S.mark();
    if (message.quiet_s !== undefined) quiet = message.quiet_s;
  };

  S.takeSnapshot = function (message) {
    trouble = message.trouble;
    unrecorded = message.unrecorded;
    S.firing = message.firing;
    S.probes = message.probes;
    S.events = (message.events || []).filter((e) => e.kind !== "retract");
    numbers = [];
    order = S.probes.map((_, i) => i).sort((a, b) =>
      (S.probes[b].height_cm ?? -1e9) - (S.probes[a].height_cm ?? -1e9) || a - b);
    order.forEach((i, n) => { numbers[i] = n + 1; });
    at = null;
    S.setZones(null);
    takeNow(message);
    buildValues();
    showEvents();
    $("title").textContent = S.firing ? S.firing.title || "Firing" : "Stokewatch";
    document.title = S.firing ? `${S.firing.title || "Firing"} · Stokewatch` : "Stokewatch";
    $("invented").hidden = !(S.firing && S.firing.invented);
    $("waiting").hidden = S.firing !== null;
    document.body.classList.toggle("empty", S.firing === null);
    S.setEstimates(message.estimates, verdict);
    if (S.firing) S.setTraces(message.traces);
    tellAll();
    S.tick();
  };

  S.takeUpdate = function (message) {
    takeNow(message);
    S.dueForecast();
    if (message.verdict) S.addEstimates(verdict, Math.max(0, ...S.now.map((v) => v[4] ?? 0)));
    if (message.events) {
      const known = new Set(S.events.map((e) => e.id));
      const back = new Set(message.events.filter((e) => e.kind === "retract").map((e) => e.data.event));
      S.events = S.events.concat(message.events.filter((e) => !known.has(e.id) && e.kind !== "retract"))
        .filter((e) => !back.has(e.id)).slice(-200);
      showEvents();
      S.redrawTraces();
    }
    const room = message.rigs ? S.addPoints(message.rigs) : true;
    if (message.zones || message.verdict || message.forecast || message.alarms || message.events) tellAll();
    S.tick();
    return room;
  };

  function takeNow(message) {
    if (message.now) S.now = message.now;
    if (message.at !== undefined) at = message.at;
    if (message.scale) scale = message.scale;
    if (message.readings !== undefined) spoken = message.readings;
    if ("verdict" in message) verdict = message.verdict;
    if (message.zones) S.addZones(message.zones);
    if ("forecast" in message) S.takeForecasts(message.forecast);
    if ("forecast" in message || "verdict" in message) S.setForecast(message.forecast, verdict);
    if ("sources" in message) sources = message.sources || [];
    if ("alarms" in message) showAlarms(message.alarms || []);
  }

  // --- the stack and its values ----------------------------------------------------------------------------

  function buildValues() {
    $("values").replaceChildren(...order.map((i) => {
      const probe = S.probes[i];
      const row = S.el("li", "value");
      row.dataset.probe = probe.name;
      const key = S.svg("svg", { class: "key", width: 40, height: 26, viewBox: "0 0 40 26" });
      key.append(S.svg("line", { x1: 0, x2: 40, y1: 13, y2: 13 }), S.svg("circle", { cx: 20, cy: 13, r: 12 }),
        S.svg("text", { x: 20, y: 18.5 }, S.number(i)));
      const height = probe.height_cm === null ? probe.side : `${probe.height_cm} cm`;
      const first = S.el("div", "first");
      first.append(S.el("b", "", probe.name), S.el("span", "sure"), S.el("span", "reading"));
      const second = S.el("div", "second");
      second.append(S.el("span", "where", [height, S.READS[probe.reads]].filter(Boolean).join(" · ")), S.el("span", "moves"));
      row.append(key, first, second);
      return row;
    }));
    S.fillValues();
    S.layoutStack();
  }

  /** The firing's own time, now. [s] */
  S.nowS = () => (at ?? 0) + sinceHeard() * scale;

  const sinceHeard = () => S.since(heard) + (quiet || 0);

  /** Age of a time of the firing, by the browser's clock. [s] */
  function ageOf(t) {
    const now = at === null ? Math.max(...S.now.map((v) => v[4] ?? 0)) : at;
    return Math.max(0, (now - t) / scale) + sinceHeard();
  }

  S.fillValues = function () {
    const state = pageState();
    order.forEach((i, n) => {
      const row = $("values").children[n];
      if (!row || !S.now[i]) return;
      const [c, rate, status, valueT, newestT, half] = S.now[i];
      const silent = S.isSilent(i) || state !== "fresh";
      const fault = status !== S.OK;
      const age = valueT === null ? "" : S.age(ageOf(valueT));
      const lines = [];
      let reading = `${S.degrees(c)}°`;
      if (fault) {
        reading = newestT === null ? "no reading" : S.STATUS[status];
        if (c !== null) lines.push(`was ${S.degrees(c)}°`, running() ? age : "");
      } else {
        if (!running()) lines.push("last reading");
        else if (silent) lines.push("stale", age);
        else lines.push(S.rate(rate) || "rate not known yet", age === "now" ? "" : age);
      }
      const heat = S.heat(S.currentC(i));
      const sure = fault || half === null || !running() ? "" : `± ${Math.round(half * (S.isFahrenheit() ? 1.8 : 1))}°`;
      const shown = [reading, sure, ...lines, status, silent, heat, S.colour(i)].join("|");
      if (row.shown === shown) return; // eight times a second, and most of it as it was
      row.shown = shown;
      row.classList.toggle("fault", fault);
      row.classList.toggle("beyond", status === S.BEYOND);
      row.classList.toggle("silent", silent && !fault);
      row.style.setProperty("--heat", heat);
      const key = row.querySelector(".key");
      key.style.setProperty("--own", S.colour(i));
      key.firstChild.setAttribute("stroke-dasharray", S.dash(i) === "solid" ? "none" : S.dash(i).replaceAll("px", ""));
      row.querySelector(".reading").textContent = reading;
      row.querySelector(".sure").textContent = sure;
      row.querySelector(".moves").replaceChildren(...lines.filter(Boolean).map((text) => S.el("span", "", text)));
    });
  };

  S.layoutStack = function () {
    const panel = $("stack");
    const wide = panel.clientWidth >= 470;
    panel.classList.toggle("wide", wide);
    panel.classList.toggle("some", S.probes.length > 6);
    panel.classList.toggle("many", S.probes.length > 10);
    drawStack();
  };

  function drawStack() {
    if (!S.firing || !S.probes.length) return $("section").replaceChildren();
    const panel = $("stack");
    const wide = panel.classList.contains("wide");
    const width = $("section").clientWidth;
    const height = $("section").clientHeight;
    if (!width || !height) return undefined;
    let rows = null;
    if (wide) {
      const top = panel.getBoundingClientRect().top;
      rows = order.map((i, n) => {
        const box = $("values").children[n].getBoundingClientRect();
        return { i, y: box.top - top + box.height / 2 };
      });
    }
    const stackWidth = wide ? $("values").offsetLeft - 16 : width;
    return S.drawSection($("section"), { width, height, stackWidth, rows });
  }

  // --- what must not be overlooked ---------------------------------------------------------------------------

  const running = () => S.firing !== null && S.firing.ended_s === null;

  function youngest() {
    const times = S.now.map((v) => v[4]).filter((t) => t !== null);
    return times.length ? ageOf(Math.max(...times)) : null;
  }

  /** How long no reading had come when the logger last spoke: only a logger that lives can tell. [s] */
  function rigSilentS() {
    const times = S.now.map((v) => v[4]).filter((t) => t !== null);
    return at === null || !times.length ? 0 : (at - Math.max(...times)) / scale;
  }

  /** link: nothing from the server. logger: the server lives, the logger doesn't. rig: no reading comes. */
  function pageState() {
    if (S.link === "lost" || S.since(heard) > QUIET_S) return "link";
    if (S.link === "opening") return "opening"; // no cause for alarm yet
    if (trouble) return "trouble";
    if (S.firing && !running()) return "ended";
    if (quiet !== null && sinceHeard() > QUIET_S) return "logger";
    if (!S.firing) return "waiting";
    if (rigSilentS() > Math.max(RIG_S, Math.min(...S.probes.map((_, i) => usualS(i))) * 2.5)) return "rig";
    return "fresh";
  }

  /** How often it usually speaks: a rig that does every five seconds isn't silent after three. [s] */
  const usualS = (i) => Math.min((S.probes[i].every_s ?? 1) / scale, 10);

  const LOUD = {
    link: (age) => ["No connection to Stokewatch", `What you see is ${age}. Trying again by itself; is the logger's computer on, and this tablet in its network?`],
    logger: (age) => ["The logger is silent", `Nothing is being recorded that this page knows of. The last reading is ${age}.`],
    rig: (age) => ["The rig is silent", `No probe has answered; the last reading is ${age}. Look at the rig's cable and battery.`],
    trouble: () => [unrecorded ? "Nothing is being recorded" : "The journal can't be read", trouble],
  };

  S.tick = function () {
    const state = pageState();
    const age = youngest();
    document.body.dataset.state = state;
    const loud = LOUD[state];
    const stale = $("stale");
    if (loud) {
      const words = age === null ? "not there yet" : age < 1.5 ? "just a moment old" : S.age(age).replace(" ago", " old");
      const [headline, detail] = loud(words);
      if (stale.hidden || stale.dataset.state !== state) {
        stale.dataset.state = state;
        // Read out once; the age that runs on beside it isn't.
        const said = S.el("b", "", headline);
        said.setAttribute("role", "alert");
        const quiet = S.el("button", "", "Quiet");
        quiet.type = "button";
        quiet.addEventListener("click", () => { S.sound.hush(); quiet.hidden = true; });
        stale.replaceChildren(said, S.el("span", "", ""), quiet);
      }
      stale.children[1].textContent = ` ${detail} Watch the fire.`;
      stale.lastChild.hidden ||= !S.sound.isOn();
    }
    stale.hidden = !loud;
    $("stage").textContent = stageLine(state);
    // Among earlier firings, the one that burns must not pass for the one that is looked at.
    $("elsewhere").textContent = S.firing && running() ? `${S.firing.planned ? `Fire now: ${S.firing.title || "firing"}. ` : ""}${stageLine(state)}` : "Stokewatch";
    if (state !== S.tick.state) tellAll();
    S.tick.state = state;
    $("verdict").textContent = state === "fresh" && verdict && verdict.line ? S.spoken(verdict.line) : "";
    $("health").textContent = healthLine(state);
    S.fillValues();
    S.drawWaiting(); // the last points before a silence too
    const drawn = S.now.map((v, i) => `${Math.round((S.currentC(i) ?? -999) / 4)}`).join() + S.choices.theme;
    if (drawn !== S.tick.drawn && performance.now() - (S.tick.drawnAt || -1e9) > SECTION_MS) {
      S.tick.drawn = drawn; // it needs no new drawing for a degree, nor for each flicker
      S.tick.drawnAt = performance.now();
      drawStack();
    }
  };

  function stageLine(state) {
    if (!S.firing) return { waiting: "No firing yet, waiting for the rig", opening: "Looking for the journal …" }[state] || "";
    const length = S.firing.ended_s ?? Math.max(0, ...S.now.map((v) => v[4] ?? 0));
    if (!running()) return `This firing has ended; it took ${S.span(length)}.`;
    // Nobody has said that it burns: the rig is being set up, or somebody forgot to arm.
    if (!S.firing.planned) return `No plan is armed; the rig has been recorded for ${S.span(length)}.`;
    const stage = (verdict && S.STAGES[verdict.stage]) || lastStage();
    return `${stage ? `${stage}, ` : ""}${S.span(length)} since the first reading`;
  }

  function lastStage() {
    const found = S.events.filter((e) => e.kind === "stage").pop();
    return found ? S.STAGES[found.data.stage] || "" : "";
  }

  function healthLine(state) {
    if (!S.firing) return "";
    const words = sources.filter((s) => s && s.name && s.state).map((s) => `${String(s.name).split("/").pop()}: ${s.state}`);
    const kept = `${spoken.toLocaleString("en-GB")} readings kept`;
    return [kept, ...(state === "fresh" ? words : [])].join(" · ");
  }

  function showAlarms(alarms, again = false) {
    const key = JSON.stringify(alarms);
    if (key === showAlarms.shown && !again) return; // else a screen reader would say it again and again
    showAlarms.shown = key;
    const good = (a) => a.warning === false;
    const over = (a) => a.state === "returned-unacknowledged";
    standing = alarms.filter((a) => !good(a)).concat(alarms.filter(good)); // good news never hides an alarm
    const now = standing.filter((a) => !over(a));
    const past = standing.filter(over);
    $("alarms").replaceChildren(...now.map((a, n) => {
      const box = S.el("div", `alarm${good(a) ? " good" : ""}${a.state === "acknowledged" ? " seen" : ""}`);
      const words = S.el("div", "words");
      words.append(S.el("b", "", sentence(a)));
      if (a.cause && !good(a) && n === 0) words.append(S.el("span", "cause", `. ${S.inUnit(a.cause)}`));
      if (a.advice) words.append(S.el("p", "", S.inUnit(a.advice)));
      box.append(words);
      if (a.key) box.append(S.alarmButtons(a));
      return box;
    }), ...(past.length ? [foldedAlarms(past)] : []));
    $("alarms").hidden = !standing.length;
    S.reachByKey($("banners"));
  }

  const sentence = (a) => S.spoken(a.message || String(a.rule || "alarm").replaceAll("_", " ")).replace(/\.$/, "");
  const named = (a) => `${a.title || a.rule}${a.zone || a.probe ? ` (${a.zone || a.probe})` : ""}`;

  /** Alarms that came and went unseen: one line, which must not push what is so now off the glass. */
  function foldedAlarms(past) {
    const box = S.el("div", "alarm over");
    const fold = S.el("details", "words");
    const kept = document.querySelector("#alarms .over details");
    fold.open = Boolean(kept && kept.open);
    fold.append(S.el("summary", "", `Over by now, acknowledged by nobody: ${past.map(named).join(", ")}`));
    const list = S.el("ul");
    list.append(...past.map((a) => S.el("li", "", `${sentence(a)}.`)));
    fold.append(list);
    box.append(fold);
    if (past.every((a) => a.key)) box.append(S.seenButton(past));
    return box;
  }

  // --- what happened ------------------------------------------------------------------------------------------

  function inWords(event) {
    const data = event.data || {};
    if (event.kind === "stage" && data.crossed) {
      const words = `${data.leading} leads`;
      return { short: words, long: data.leading === "bottom" ? "The bottom is the hotter end now" : "The top is the hotter end now" };
    }
    if (event.kind === "spot") {
      return { kind: "spot", short: "spot", long: S.spoken(`Spot reading: ${data.zone} at ${Math.round(data.temperature_c)} °C (emissivity ${data.emissivity})${data.text ? `, ${data.text}` : ""}`) };
    }
    if (event.kind === "note") {
      const word = S.NOTED[data.kind] || data.kind;
      const said = data.kind === "text" ? data.text : [word, data.amount, data.text].filter(Boolean).join(", ");
      return { short: String(data.kind === "text" ? data.text : word).slice(0, 18), long: S.capital(String(said)) };
    }
    if (event.kind === "stage") return { short: S.STAGES[data.stage] || data.stage || "stage", long: `Stage: ${S.STAGES[data.stage] || data.stage}` };
    if (event.kind === "alarm") {
      const rule = data.title || S.capital(String(data.rule || "alarm").replaceAll("_", " "));
      const turn = data.transition && data.transition !== "raised" ? ` (${data.transition})` : "";
      return { kind: data.warning === false ? "good" : "alarm", short: String(data.rule || "alarm").replaceAll("_", " "), long: String(data.message || "").startsWith(rule) ? `${S.inUnit(data.message)}${turn}` : `${rule}${turn}: ${S.inUnit(data.message || "")}` };
    }
    const said = data.text || data.message || data.state || data.what || event.kind;
    return { short: event.kind === "note" ? String(said).slice(0, 18) : event.kind, long: S.capital(String(said)) };
  }

  S.inWords = inWords;
  S.NOTED = { wood: "wood added", raked: "raked", uncovered: "uncovered", smothered: "smothered", gust: "gust", rain: "rain" };

  /** A stage event that brings no new stage says that the other end leads now. */
  function crossings() {
    let before = null;
    for (const e of S.events.filter((event) => event.kind === "stage")) {
      if (before && before.stage === e.data.stage && before.leading !== e.data.leading) e.data.crossed = true;
      before = e.data;
    }
  }

  /** Events that are marked on the traces. */
  S.marks = () => S.events.filter((e) => e.kind === "stage" || e.kind === "note"
    || (e.kind === "alarm" && ["raised", undefined].includes((e.data || {}).transition)))
    .map((e) => ({ t: e.t, kind: e.kind, ...inWords(e) }));

  function showEvents() {
    crossings();
    const last = S.events.slice().sort((a, b) => b.t - a.t || b.id - a.id).slice(0, 8);
    $("events").replaceChildren(...last.map((e) => {
      const row = S.el("li", inWords(e).kind || e.kind);
      row.append(S.el("b", "", `${Math.floor(e.t / 60)} min`), S.el("span", "", inWords(e).long + (e.who && e.who !== "page" ? ` (${e.who})` : "")));
      return row;
    }));
    $("log").hidden = !last.length;
  }
})(window.Stokewatch);
