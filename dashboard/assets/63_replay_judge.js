/* What was to be said at each moment of a stored firing, and what other alarm settings would have said. */
"use strict";

(function (S) {
  const R = S.replay;
  const SAME_S = 1;
  const MOVED_S = 600;
  const MODEL_HOLD_S = 45; // as long as its band goes on
  let shown = ""; // what the verdicts show
  let logged = ""; // what the list of marks holds
  let passed = -1; // how many of them lie before the moment

  const ruleOf = (name) => R.told.rules.find((r) => r.rule === name);
  const place = (a) => a.zone || a.probe || "";

  /** Judge it by these settings on top of its own; the newest wish counts. */
  R.judge = async function (alarms, turn) {
    const wish = (R.wish = {});
    R.trouble = "";
    R.judging = true;
    R.showMoment();
    try {
      const told = await S.postJson(`/api/replay/${encodeURIComponent(R.told.firing.id)}/judge`, { alarms });
      if (!R.current(turn) || wish !== R.wish) return null;
      R.judged = told;
      if (!Object.keys(alarms).length) R.own = told;
      R.changed = alarms;
      R.judging = false;
      shown = logged = "";
      R.drawMarks();
      R.moveCursor();
      R.showMoment();
      differences();
      return null;
    } catch (refused) {
      if (!R.current(turn) || wish !== R.wish) return null;
      R.judging = false;
      R.trouble = refused.message;
      R.showMoment();
      return refused;
    }
  };

  // --- alarms, stages and notes, as judged; until then as the logger said them at the fire -------------------------

  R.alarms = function () {
    if (R.judged) return R.judged.alarms.map((a) => ({ ...a, warning: (ruleOf(a.rule) || {}).warning !== false }));
    const found = [];
    for (const e of R.told.events) {
      if (e.kind !== "alarm") continue;
      if (e.data.transition === "raised") found.push({ rule: e.data.rule, zone: e.data.zone, probe: e.data.probe, raised_s: e.t, cleared_s: null,
        message: e.data.message || "", key: e.data.key, warning: e.data.warning !== false });
      const open = found.find((a) => a.key === e.data.key && a.cleared_s === null);
      if (e.data.transition === "cleared" && open) open.cleared_s = e.t;
    }
    return found;
  };

  R.stages = () => (R.judged ? R.judged.stages.map((s) => ({ t: s.from_s, stage: s.stage }))
    : R.told.events.filter((e) => e.kind === "stage").map((e) => ({ t: e.t, stage: e.data.stage })))
    .map((s) => ({ ...s, short: S.STAGES[s.stage] || s.stage }));

  const title = (name) => (ruleOf(name) || {}).title || S.capital(String(name).replaceAll("_", " "));

  function noteWords(e) {
    if (e.kind === "spot") return `Spot reading: ${e.data.zone || "somewhere"} ${S.degrees(e.data.temperature_c)} ${S.unit()}`;
    const { kind, text, amount } = e.data;
    return S.capital([kind === "text" ? "" : String(kind || "").replaceAll("_", " "), text, amount].filter(Boolean).join(", ")) || "Note";
  }

  const ACTS = { acknowledged: "Acknowledged", shelved: "Shelved", unshelved: "No longer shelved" };

  /** What people did about alarms at the fire. */
  const acts = () => R.told.events.filter((e) => e.kind === "alarm" && e.who && ACTS[e.data.transition])
    .map((e) => ({ t: e.t, kind: "act", long: `${ACTS[e.data.transition]}: ${title(e.data.rule)}${place(e.data) ? `, ${place(e.data)}` : ""}`, who: e.who }));

  const SIGNS = { note: "□", spot: "◇", alarm: "▼", good: "●", act: "·" }; // as among the traces

  /** Where one can jump to. */
  R.marks = () => [
    ...acts(),
    ...R.told.events.filter((e) => e.kind === "note" || e.kind === "spot").map((e) => ({ t: e.t, kind: e.kind, long: noteWords(e), who: e.who })),
    ...R.alarms().map((a) => ({ t: a.raised_s, kind: a.warning ? "alarm" : "good", long: `${title(a.rule)}: ${a.message}` }))];

  // --- the moment ----------------------------------------------------------------------------------------------

  R.buildJudgement = function () {
    shown = logged = "";
    const details = S.make("details", { class: "r-rules" }, S.el("summary", "", "Alarm settings: change them and judge it again"), S.make("div", { class: "r-form" }));
    details.addEventListener("toggle", () => { if (details.open && !R.$("form").children.length) form(); });
    R.$("settings").replaceChildren(details, S.make("div", { class: "r-differences", role: "status" }));
    R.$("verdicts").replaceChildren(S.make("p", { class: "r-line", "aria-live": "off" }), S.make("div", { class: "r-standing" }), S.make("div", { class: "scroll r-zones", tabindex: 0, role: "region", "aria-label": "Zones at this moment" }));
    differences();
  };

  function momentAt() {
    if (!R.judged) return -1;
    const times = R.judged.moments.t_s;
    let low = 0, high = times.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (times[middle] <= R.t + 0.01) low = middle + 1;
      else high = middle;
    }
    return low - 1;
  }

  R.showMoment = function () {
    if (!R.told || !R.$("line")) return;
    happened();
    const k = momentAt();
    const standing = R.alarms().filter((a) => a.raised_s <= R.t && (a.cleared_s === null || a.cleared_s > R.t));
    const key = [k, R.judging, R.trouble, S.unit(), standing.map((a) => a.rule + place(a)).join()].join("|");
    if (key === shown) return;
    shown = key;
    const waiting = R.judging ? "Judging it from the beginning …" : R.trouble ? `It could not be judged. ${R.trouble}` : "Nothing judged yet at this moment.";
    const words = k < 0 ? null : R.judged.moments.words;
    R.$("line").replaceChildren(...(k < 0 ? [waiting] : [S.el("b", "", S.STAGES[words[R.judged.moments.stage[k]]] || ""), `. ${S.capital(words[R.judged.moments.line[k]])}`]),
      ...(R.judging && k >= 0 ? [S.el("i", "", " Judging it again …")] : []));
    R.$("standing").replaceChildren(...standing.map((a) => {
      const rule = ruleOf(a.rule) || {};
      return S.make("div", { class: a.warning ? "r-alarm" : "r-alarm good" }, S.el("b", "", title(a.rule)), S.el("span", "", `: ${a.message}`),
        a.warning && rule.advice ? S.el("p", "", rule.advice) : null);
    }));
    zones(k);
  };

  function zones(k) {
    const holder = R.$("zones");
    if (k < 0) return holder.replaceChildren();
    const { words } = R.judged.moments;
    const { burnout_c: burnout, target_c: target } = R.told.firing;
    const rows = R.judged.moments.zones.map((z) => ({ ...z, level: z.level_c[k] }))
      .sort((a, b) => (a.coals - b.coals) || (a.faulty[k] - b.faulty[k]) || (a.level ?? 0) - (b.level ?? 0));
    const degrees = (c) => (c === null || c === undefined ? "–" : `${S.degrees(c)}°`);
    const minutes = (s) => `${Math.floor(s / 60)} min`;
    const cell = (tag, text, name) => S.make(tag, name ? { class: name } : {}, text);
    return holder.replaceChildren(S.make("table", {},
      S.make("thead", {}, S.make("tr", {}, ...["Zone", "Now", "Peak", `Over ${S.degrees(burnout)}°`, `Over ${S.degrees(target)}°`].map((h) => cell("th", h)))),
      S.make("tbody", {}, ...rows.flatMap((z) => {
        const now = S.make("td", { class: "r-now" }, degrees(z.level));
        now.style.setProperty("--heat", S.heat(z.level));
        return [
          S.make("tr", { class: "r-zone" }, cell("th", z.zone, "r-name"), now, cell("td", degrees(z.peak_c[k])), cell("td", minutes(z.above_burnout_s[k])),
            cell("td", z.coals ? "" : minutes(z.soak_s[k]))),
          S.make("tr", {}, S.make("td", { class: "r-missing", colspan: 5 }, z.coals ? "coals" : words[z.missing[k]] || "nothing missing",
            words[z.ahead[k]] ? S.el("i", "", `. Forecast then: ${words[z.ahead[k]]}`) : null, pots(z.zone)))];
      }))));
  }

  /** What a zone's pots were estimated to be at. */
  function pots(zone) {
    const line = R.told.estimates[zone];
    const n = line ? line.t.findLastIndex((t) => t <= R.t) : -1;
    if (n < 0) return null;
    const usual = (line.t[line.t.length - 1] - line.t[0]) / line.t.length;
    if (R.t - line.t[n] > Math.max(MODEL_HOLD_S, 2.5 * usual)) return null; // it had stopped
    const half = Math.round(((line.hi[n] - line.lo[n]) / 2) * (S.isFahrenheit() ? 1.8 : 1));
    return S.el("i", "r-potswords", `. Pots by the model: ${S.degrees(line.c[n])}° ± ${half}°`);
  }

  /* Notes and alarms in order; what is still to come is pale. A tap goes there. */
  function happened() {
    const marks = R.marks().sort((a, b) => a.t - b.t);
    const key = `${marks.map((m) => `${m.t}${m.long}`).join()}|${R.judging}`;
    if (key !== logged) {
      logged = key;
      const list = S.make("ol", {}, ...marks.map((m) => S.make("li", { class: m.kind },
        S.make("button", { type: "button", onclick() { R.seek(m.t, `${R.clock(m.t)} ${m.long}`); } },
          S.el("b", "", R.clock(m.t)), S.make("i", { "aria-hidden": "true" }, SIGNS[m.kind]), S.el("span", "", m.long + (m.who ? ` (${m.who})` : ""))))));
      R.$("happened").replaceChildren(S.el("h3", "", "Notes and alarms"), marks.length ? list : S.el("p", "", R.judging ? "" : "None."));
      passed = -1;
    }
    const past = marks.filter((m) => m.t <= R.t + 0.5).length;
    if (past === passed || !marks.length) return;
    passed = past;
    const list = R.$("happened").querySelector("ol");
    [...list.children].forEach((item, n) => item.classList.toggle("coming", n >= past));
    const newest = list.children[Math.max(0, past - 1)];
    list.scrollTop = newest.offsetTop - list.offsetTop - list.clientHeight + 2 * newest.offsetHeight;
  }

  // --- other settings ------------------------------------------------------------------------------------------

  function form() {
    const rules = R.told.rules.map((rule) => {
      const on = S.make("input", { type: "checkbox", "data-setting": `${rule.rule}.enabled` });
      on.checked = setting(rule.rule, "enabled", rule.enabled);
      return S.make("fieldset", { class: "r-rule" }, S.el("legend", "", rule.title),
        S.make("label", { class: "tick" }, on, "calls"), ...rule.settings.map((s) => number(rule, s)));
    });
    R.$("form").replaceChildren(S.make("div", { class: "r-rulelist" }, ...rules),
      S.make("p", { class: "r-refused", role: "alert" }),
      S.make("div", { class: "last" }, S.make("button", { type: "button", class: "main r-again", onclick: again }, "Judge it again"),
        S.make("button", { type: "button", class: "r-undo", onclick: undo }, "Back to its own settings")));
  }

  const setting = (rule, name, own) => ((R.changed[rule] || {})[name] ?? own);

  function number(rule, s) {
    const id = `r-${rule.rule}-${s.name}`;
    const input = S.make("input", { id, type: "number", inputmode: "decimal", step: "any", min: s.minimum, max: s.maximum, value: setting(rule.rule, s.name, s.value),
      "data-setting": `${rule.rule}.${s.name}`, "aria-describedby": `${id}-about` });
    return S.make("div", { class: "field" }, S.make("label", { for: id }, `${s.doc}`),
      S.make("div", { class: "r-number" }, input, S.el("span", "", s.unit)),
      S.make("p", { id: `${id}-about` }, `${s.minimum} to ${s.maximum}, usually ${s.default}`), S.make("p", { class: "r-wrong", role: "alert" }));
  }

  function again() {
    const alarms = {};
    refuse(null, "");
    for (const input of R.$("form").querySelectorAll("[data-setting]")) {
      const [rule, name] = input.dataset.setting.split(".");
      const known = ruleOf(rule);
      const own = name === "enabled" ? known.enabled : known.settings.find((s) => s.name === name).value;
      const value = name === "enabled" ? input.checked : input.value.trim() === "" ? Number.NaN : Number(input.value);
      if (Number.isNaN(value)) return refuse(input.dataset.setting, "Give a number.");
      if (value !== own) (alarms[rule] = alarms[rule] || {})[name] = value;
    }
    return ask(alarms);
  }

  function undo() {
    R.changed = {};
    form();
    ask({});
  }

  async function ask(alarms) {
    const id = R.told.firing.id;
    R.$("again").disabled = true;
    differences("Judging it again …");
    const refused = await R.judge(alarms, R.turn());
    if (!R.told || R.told.firing.id !== id || !R.$("again")) return;
    R.$("again").disabled = false;
    if (refused) {
      differences();
      refuse(refused.field ? refused.field.replace(/^alarms\./, "").split(".").slice(0, 2).join(".") : null, refused.message);
    }
  }

  function refuse(name, text) {
    for (const wrong of R.$("form").querySelectorAll(".r-wrong")) wrong.textContent = "";
    for (const input of R.$("form").querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
    const input = name && [...R.$("form").querySelectorAll("[data-setting]")].find((i) => i.dataset.setting === name);
    const beside = input && input.closest(".field");
    if (!beside) {
      R.$("refused").textContent = text;
      return;
    }
    R.$("refused").textContent = "";
    beside.querySelector(".r-wrong").textContent = text;
    input.setAttribute("aria-invalid", "true");
    input.focus();
  }

  /** Which alarms went, came or moved: each with the nearest of its kind and place. */
  function compared(before, after) {
    const left = after.map((a) => ({ ...a }));
    const gone = [], moved = [];
    for (const a of before) {
      const near = left.filter((b) => b.rule === a.rule && place(b) === place(a) && Math.abs(b.raised_s - a.raised_s) <= MOVED_S)
        .sort((p, q) => Math.abs(p.raised_s - a.raised_s) - Math.abs(q.raised_s - a.raised_s))[0];
      if (!near) {
        gone.push(a);
        continue;
      }
      left.splice(left.indexOf(near), 1);
      if (Math.abs(near.raised_s - a.raised_s) > SAME_S) moved.push([a, near]);
    }
    return { gone, moved, came: left };
  }

  function differences(text) {
    const holder = R.$("differences");
    if (!holder) return;
    if (text) return holder.replaceChildren(S.el("p", "", text));
    if (!R.judged || !R.own || R.judged === R.own) return holder.replaceChildren();
    const { gone, moved, came } = compared(R.own.alarms, R.judged.alarms);
    const line = (a, more) => S.make("li", {}, S.make("button", { type: "button", onclick() { R.seek(a.raised_s, title(a.rule)); } },
      S.el("b", "", R.clock(a.raised_s)), S.el("span", "", `${title(a.rule)}${place(a) ? `, ${place(a)}` : ""}${more || ""}`)));
    const part = (name, items) => (items.length ? S.make("div", {}, S.el("h3", "", name), S.make("ol", {}, ...items)) : null);
    return holder.replaceChildren(
      S.el("p", "r-changed", gone.length + moved.length + came.length ? "Judged by changed settings; against its own:" : "Judged by changed settings: the same alarms at the same times."),
      ...[part("Came", came.map((a) => line(a))), part("Went", gone.map((a) => line(a))),
        part("At another time", moved.map(([a, b]) => line(b, `, before at ${R.clock(a.raised_s)}`)))].filter(Boolean));
  }
})(window.Stokewatch);
