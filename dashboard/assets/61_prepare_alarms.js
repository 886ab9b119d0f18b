/* Preparing, third step: every alarm's settings, and a rehearsal of them on an earlier firing. */
"use strict";

(function (S) {
  const P = S.prepare;
  const $ = (id) => document.getElementById(id);
  const SETTLE_MS = 450;
  const LANE = 36;
  const CONFIG = { displayModeBar: false, responsive: false, scrollZoom: false };
  let firing = null; // that is rehearsed on
  let traces = null;
  let result = null;
  let before = null; // the result that the last change replaced
  let judged = ""; // what was asked for last
  let timer = null;
  let working = false;
  let sized = null;

  P.steps.alarms = {
    build(panel) {
      panel.append(S.make("div", { class: "two alarms-two" },
        S.make("section", { "aria-label": "Rehearsal", class: "rehearsal" }, ...rehearsal()),
        S.make("section", { "aria-label": "Alarms" },
          S.make("h2", {}, "What should be called, and when"),
          S.make("ul", { id: "prepare-rules" }, ...P.rules.map(rule)))));
      sized?.disconnect();
      sized = new ResizeObserver(() => draw());
      if ($("rehearse-chart")) sized.observe($("rehearse-chart")); // without an earlier firing there is none
      if (firing) rehearse();
      draw();
    },
    valid() { rehearse(); },
    hide() { sized?.disconnect(); clearTimeout(timer); },
  };

  // --- the settings ------------------------------------------------------------------------------------------------

  function rule(one) {
    const settings = P.doc.alarm[one.name];
    const open = P.openRules?.has(one.name) || P.problems.some((p) => (p.field || "").startsWith(`alarm.${one.name}.`));
    const changed = S.el("span", "changed");
    const tell = () => {
      const others = one.settings.filter((s) => settings[s.name] !== s.default).length;
      changed.textContent = !settings.enabled ? "off" : others ? `${others} changed` : "";
    };
    tell();
    const box = S.make("details", { open, class: settings.enabled ? "" : "off", ontoggle: (event) => {
      P.openRules = P.openRules || new Set();
      P.openRules[event.target.open ? "add" : "delete"](one.name);
    } },
    S.make("summary", {}, S.make("b", {}, one.title), changed),
    S.make("p", { class: "hint" }, one.cause, " ", S.make("i", {}, one.advice)),
    S.make("label", { class: "tick" }, S.make("input", { type: "checkbox", checked: settings.enabled, onchange: (event) => {
      settings.enabled = event.target.checked;
      box.classList.toggle("off", !settings.enabled);
      tell();
      P.changed();
    } }), one.warning ? "Call this" : "Say this"),
    S.make("div", { class: "settings" }, ...one.settings.map((setting) => number(one, setting, settings, tell))));
    return S.make("li", {}, box);
  }

  function number(one, setting, settings, tell) {
    const input = P.number(settings[setting.name], (v) => { settings[setting.name] = v; tell(); again.hidden = v === setting.default; }, setting);
    const unit = P.unit(setting.unit);
    const shown = (v) => P.shown(v, setting);
    const again = S.make("button", { type: "button", class: "again", hidden: settings[setting.name] === setting.default,
      "aria-label": `${setting.doc} Back to ${shown(setting.default)} ${unit}`, onclick: () => {
        settings[setting.name] = setting.default;
        input.value = shown(setting.default);
        again.hidden = true;
        tell();
        P.changed();
      } }, `back to ${shown(setting.default)}`);
    const range = `${shown(setting.minimum)} to ${shown(setting.maximum)} ${unit}, usually ${shown(setting.default)}`;
    const field = P.field(`alarm.${one.name}.${setting.name}`, setting.doc, input, range);
    field.insertBefore(S.make("div", { class: "with-unit" }, input, S.el("span", "unit", unit), again), field.children[1]);
    return field;
  }

  // --- the rehearsal -------------------------------------------------------------------------------------------------

  function rehearsal() {
    const there = P.firings.filter((f) => !f.running);
    if (!there.length) return [S.el("h2", "", "Rehearse"), S.el("p", "hint", "With an earlier firing in the archive you see here where these settings would have called.")];
    const choice = S.make("select", { id: "rehearse-firing", onchange: () => choose(choice.value) },
      S.make("option", { value: "", selected: !firing }, "Choose an earlier firing …"),
      ...there.map((f) => S.make("option", { value: f.id, selected: firing === f.id },
        `${f.title || f.id}, ${S.date(f.started_s)}${f.invented ? " (invented)" : ""}`)));
    return [
      S.make("div", { class: "rehearse-top" }, S.make("h2", {}, S.make("label", { for: "rehearse-firing" }, "Rehearse")), choice),
      S.make("p", { id: "rehearse-said", role: "status" }),
      S.make("div", { id: "rehearse-chart", hidden: !firing }),
      S.make("ul", { id: "rehearse-keys" }),
      S.make("ol", { id: "rehearse-calls" }),
    ];
  }

  async function choose(id) {
    firing = id || null;
    traces = result = before = null;
    judged = "";
    $("rehearse-chart").hidden = !firing;
    $("rehearse-calls").replaceChildren();
    $("rehearse-keys").replaceChildren();
    say("");
    if (!firing) return;
    try {
      const told = await S.getJson(`/api/prepare/firing/${encodeURIComponent(id)}/traces`);
      if (firing !== id) return;
      traces = told;
      draw();
      rehearse();
    } catch (refused) {
      say(refused.message);
    }
  }

  const say = (text) => { if ($("rehearse-said")) $("rehearse-said").textContent = text; };

  function rehearse() {
    clearTimeout(timer);
    if (!firing || !$("rehearse-chart")) return;
    if (P.toml === null) return say("Something in the plan is wrong; mend that first.");
    timer = setTimeout(judge, SETTLE_MS);
    return undefined;
  }

  async function judge() {
    const asked = `${firing} ${P.toml}`;
    if (working || asked === judged) return;
    working = true;
    say("Judging …");
    const id = firing;
    try {
      const told = await S.postJson("/api/prepare/rehearse", { plan: P.doc, firing: id });
      judged = asked;
      if (firing === id) {
        before = result;
        result = told;
        draw();
        calls();
      }
    } catch (refused) {
      judged = asked;
      say(refused.message);
    }
    working = false;
    if (firing && `${firing} ${P.toml}` !== asked) rehearse(); // it was changed meanwhile
  }

  const minutes = (s) => Math.round(s / 6) / 10;
  const titles = () => new Map(P.rules.map((r) => [r.name, r]));
  const warns = (alarm) => titles().get(alarm.rule)?.warning !== false;

  function calls() {
    const count = (told) => told.alarms.filter(warns).length;
    const now = count(result);
    const was = before ? count(before) : null;
    const few = now === 0 ? "No warning" : now === 1 ? "1 warning" : `${now} warnings`;
    say(`${few} over ${S.span(result.duration_s)}${was !== null && was !== now ? `; before this change ${was}` : ""}.`);
    $("rehearse-calls").replaceChildren(...result.alarms.map((alarm) => {
      const made = S.make("li", { class: warns(alarm) ? "alarm" : "good" },
        S.make("b", {}, `${Math.round(alarm.raised_s / 60)} min`),
        S.make("span", {}, `${titles().get(alarm.rule)?.title || alarm.rule}: ${alarm.probe || alarm.zone || "the rig"}`),
        S.make("span", { class: "hint" }, alarm.cleared_s === null ? "to the end" : `for ${S.span(alarm.cleared_s - alarm.raised_s)}`));
      return made;
    }));
  }

  /** The traces, and below them when each alarm stood. */
  function draw() {
    const chart = $("rehearse-chart");
    if (!chart || chart.hidden || !traces || !chart.clientWidth) return;
    if (!window.Plotly) {
      S.plotly().then(draw, (failed) => say(failed.message));
      return;
    }
    const css = getComputedStyle(document.documentElement);
    const value = (name) => css.getPropertyValue(name).trim();
    const [ink, faint, rulerColour, alarm, clay] = ["--ink", "--faint", "--rule", "--alarm", "--clay"].map(value);
    const data = traces.traces.map((trace, i) => ({
      type: "scatter", mode: "lines", name: trace.name, connectgaps: false, hoverinfo: "skip", x: trace.t.map(minutes), y: trace.c.map(S.shown),
      line: { color: S.colour(i), dash: S.dash(i), width: 1.8 },
    }));
    const found = result ? result.alarms : [];
    const rows = [...new Set(found.map((a) => a.rule))];
    const end = result ? result.duration_s : 0;
    for (const a of found) {
      const colour = warns(a) ? alarm : clay;
      data.push({ type: "scatter", mode: "lines+markers", xaxis: "x", yaxis: "y2", hoverinfo: "skip", x: [minutes(a.raised_s), minutes(a.cleared_s ?? end)],
        y: [rows.indexOf(a.rule) + 0.26, rows.indexOf(a.rule) + 0.26], line: { color: colour, width: 9 }, marker: { color: colour, size: [15, 1], symbol: warns(a) ? "triangle-up" : "circle" } });
    }
    // A lane for each alarm, its name above the bars.
    chart.style.height = `${280 + LANE * rows.length}px`
    const share = (LANE * rows.length) / (chart.clientHeight - 64);
    const axis = { color: ink, gridcolor: faint, zeroline: false, linecolor: ink, showline: true, ticks: "outside", tickfont: { size: 16 }, fixedrange: true };
    const lines = [["target", P.doc.target_c, "solid"], ["burn-out", P.doc.burnout_c, "dash"], ["quartz", 573, "dot"]].filter(([, c]) => typeof c === "number");
    const layout = {
      autosize: false, width: chart.clientWidth, height: chart.clientHeight, showlegend: false, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      margin: { l: 52, r: 14, t: 16, b: 48 }, font: { family: value("--face"), size: 16, color: ink },
      xaxis: { ...axis, anchor: rows.length ? "y2" : "y", showgrid: false, nticks: 7, rangemode: "tozero", title: { text: "minutes", font: { size: 16 }, standoff: 4 } },
      yaxis: { ...axis, domain: [share ? share + 0.03 : 0, 1], nticks: 6, rangemode: "tozero" },
      yaxis2: { domain: [0, Math.max(share, 0.01)], range: [rows.length - 0.5, -0.5], visible: false, fixedrange: true },
      shapes: [
        ...lines.map(([, c, dash]) => ({ type: "line", xref: "paper", x0: 0, x1: 1, y0: S.shown(c), y1: S.shown(c), line: { color: rulerColour, width: 1.5, dash } })),
        ...found.filter(warns).map((a) => ({ type: "line", yref: "paper", x0: minutes(a.raised_s), x1: minutes(a.raised_s), y0: 0, y1: 1, line: { color: alarm, width: 1, dash: "2px,3px" } })),
      ],
      annotations: [
        ...lines.map(([text, c]) => ({ xref: "paper", x: 0.01, y: S.shown(c), text, showarrow: false, xanchor: "left", yanchor: text === "quartz" ? "top" : "bottom", font: { size: 16, color: rulerColour } })),
        ...rows.map((name, n) => ({ xref: "paper", x: 0.01, yref: "y2", y: n - 0.22, text: titles().get(name)?.title || name, showarrow: false, xanchor: "left", font: { size: 16, color: ink } })),
      ],
    };
    window.Plotly.react(chart, data, layout, CONFIG);
    $("rehearse-keys").replaceChildren(...traces.traces.map((trace, i) => {
      const key = S.svg("svg", { width: 34, height: 16, viewBox: "0 0 34 16", "aria-hidden": "true" });
      key.append(S.svg("line", { x1: 0, x2: 34, y1: 8, y2: 8, stroke: S.colour(i), "stroke-width": 3, "stroke-dasharray": S.dash(i) === "solid" ? "none" : S.dash(i).replaceAll("px", "") }));
      return S.make("li", {}, key, trace.name);
    }));
  }
})(window.Stokewatch);
