/* The day before and the last hour: the room, its steps in the order of the work, and the plan they all work at. */
"use strict";

(function (S) {
  const STEPS = [["plan", "Plan"], ["probes", "Probes"], ["alarms", "Alarms"], ["pack", "Pack"], ["check", "Cold check"], ["light", "Arm"]];
  const RIG_MS = 1000;
  const $ = (id) => document.getElementById(id);

  // What the steps share. `doc` is the plan's own tables, as the plan file has them; null where nobody knows.
  const P = {
    doc: null, name: "", rules: [], letters: [], plans: [], firings: [], kit: [],
    problems: [], toml: null, rig: null, tried: new Map(), report: null, steps: {}, said: "",
  };
  S.prepare = P;
  let step = "plan";
  let timer = null;
  let asking = null;
  let built = false;
  let away = false; // meanwhile others may have saved plans, packed, or fired

  S.rooms.prepare = {
    async show(args) {
      P.steps[step].hide?.();
      step = STEPS.some(([name]) => name === args) ? args : step;
      if (!P.doc || away) await begin();
      if (!P.doc) return;
      away = false;
      P.build();
      clearInterval(timer);
      timer = setInterval(look, RIG_MS);
      look();
    },
    hide() {
      clearInterval(timer);
      away = true;
      P.steps[step].hide?.();
    },
    redraw() { if (P.doc) P.build(); }, // another unit, or the light
  };

  async function begin() {
    try {
      const told = await S.getJson("/api/prepare/start");
      Object.assign(P, { rules: told.rules, letters: told.letters, plans: told.plans, firings: told.firings, kit: told.kit });
      if (P.doc) return;
      const kept = draft();
      P.doc = kept ? kept.doc : told.plan;
      P.name = kept ? kept.name : "";
      validate();
    } catch (refused) {
      if (!P.doc) $("prepare").replaceChildren(S.el("p", "wrong", refused.message));
    }
  }

  /** A draft outlives a reload; a plan is kept for good when it is saved. */
  function draft() {
    try {
      const kept = JSON.parse(window.localStorage.getItem("stokewatch.draft"));
      return kept && kept.doc && kept.doc.alarm && Array.isArray(kept.doc.probe) ? kept : null;
    } catch {
      return null;
    }
  }

  function keepDraft() {
    try { window.localStorage.setItem("stokewatch.draft", JSON.stringify({ doc: P.doc, name: P.name })); } catch { /* until a reload, then */ }
  }

  /** It was armed: next time one begins from the plan that runs. */
  P.forget = function () {
    P.doc = P.report = null;
    P.tried.clear();
    try { window.localStorage.removeItem("stokewatch.draft"); } catch { /* then there was none */ }
  };

  /** Another plan: opened, copied, brought in or begun afresh. */
  P.take = function (doc, name, said) {
    P.doc = doc;
    P.name = name;
    P.report = null;
    P.said = said;
    keepDraft();
    validate();
    P.build();
  };

  /** Something in the plan was changed by hand. */
  P.changed = function () {
    P.report = null;
    P.said = "";
    keepDraft();
    clearTimeout(asking);
    asking = setTimeout(validate, 200);
    marks();
  };

  async function validate() {
    const asked = JSON.stringify(P.doc);
    let told;
    try {
      told = await S.postJson("/api/prepare/problems", { plan: P.doc });
    } catch (refused) {
      told = { problems: [{ field: null, text: refused.message }], toml: null, name: "" };
    }
    if (asked !== JSON.stringify(P.doc)) return; // it has been changed since
    Object.assign(P, { problems: told.problems, toml: told.toml, fileName: told.name });
    P.showProblems();
    P.steps[step].valid?.();
  }

  async function look() {
    let rig;
    try {
      rig = await S.getJson("/api/prepare/rig");
    } catch (refused) {
      rig = { state: "page", firing: null, channels: [], said: refused.message };
    }
    P.rig = rig;
    for (const channel of rig.channels) if (channel.tried) P.tried.set(P.key(channel), channel.tried);
    if (S.rooms.prepare && document.body.dataset.room === "prepare" && built) {
      P.steps[step].look?.();
      marks();
    }
  }

  P.key = (c) => `${c.rig ?? ""} ${c.channel}`;
  /** The channel that a probe of the plan is, by the rule of the logger: its name, and its rig where one is named. */
  P.channelOf = (probe) => (P.rig ? P.rig.channels : []).find((c) =>
    c.channel === (probe.channel ?? probe.name) && (!probe.rig || probe.rig === c.rig)) || null;

  // --- the room -------------------------------------------------------------------------------------------------

  P.build = function () {
    const bar = S.make("nav", { id: "prepare-steps", "aria-label": "Steps of preparing" },
      S.make("ol", {}, ...STEPS.map(([name, text], n) => S.make("li", {},
        S.make("a", { href: `#prepare/${name}`, "data-step": name, "aria-current": name === step ? "step" : null },
          S.make("span", { class: "stone", "aria-hidden": "true" }, String(n + 1)),
          S.make("span", { class: "word" }, text),
          S.make("span", { class: "state" }))))));
    const panel = S.make("div", { id: "prepare-panel", class: `panel-${step}` });
    $("prepare").replaceChildren(bar, panel);
    built = true;
    P.steps[step].build(panel);
    const at = STEPS.findIndex(([name]) => name === step);
    const next = STEPS[at + 1];
    if (next) panel.append(S.make("p", { class: "onward" }, S.make("a", { href: `#prepare/${next[0]}`, class: "go" }, `Next: ${next[1]}`)));
    P.showProblems();
    if (P.rig) P.steps[step].look?.();
    marks();
  };

  /** What stands by each step: done, to be looked at, or wrong. */
  function marks() {
    const wrong = (start) => P.problems.filter((p) => start.some((s) => (p.field || "title").startsWith(s))).length;
    const places = P.doc.probe.filter((p) => p.height_cm === null || p.height_cm === undefined).length;
    const off = P.rules.filter((r) => r.warning && !P.doc.alarm[r.name].enabled).length;
    const packed = P.kit.filter(([, done]) => done).length;
    const says = {
      plan: wrong(["title", "target", "burnout", "soak", "estimate"]) ? "!wrong" : P.name ? "✓saved" : "not saved",
      probes: wrong(["probe"]) ? "!wrong" : !P.doc.probe.length ? "none yet" : places ? `${places} without a place` : `✓${P.doc.probe.length} placed`,
      alarms: wrong(["alarm"]) ? "!wrong" : off ? `${off} off` : "✓all on",
      pack: P.kit.length && packed === P.kit.length ? "✓packed" : `${packed} of ${P.kit.length}`,
      check: !P.report ? "not yet" : P.report.fit ? "✓fit" : P.burns(P.report) ? "a fire is on" : "!not fit",
      light: "",
    };
    for (const link of document.querySelectorAll("#prepare-steps a")) {
      const text = says[link.dataset.step];
      const state = link.querySelector(".state");
      state.textContent = text.replace(/^[!✓]/, (sign) => `${sign} `);
      link.classList.toggle("bad", text.startsWith("!"));
      link.classList.toggle("done", text.startsWith("✓"));
    }
  }
  P.marks = marks;

  // --- fields -----------------------------------------------------------------------------------------------------

  /** A field with its label, what it means, and the place where a refusal is said. */
  P.field = function (path, label, input, hint) {
    input.id = `f-${path}`;
    input.dataset.field = path;
    input.setAttribute("aria-describedby", `w-${path} h-${path}`);
    return S.make("div", { class: "field", "data-path": path },
      S.make("label", { for: input.id }, label), input,
      hint ? S.make("p", { class: "hint", id: `h-${path}` }, hint) : null,
      S.make("p", { class: "wrong", id: `w-${path}`, role: "alert", hidden: true }));
  };

  P.text = (value, set, more) => S.make("input", { type: "text", value: value ?? "", autocomplete: "off", ...more,
    oninput: (event) => { set(event.target.value); P.changed(); } });

  /**
   * A number in the unit that is shown, kept in the plan's own. What isn't a number goes to the plan as it was
   * written, and is refused there with the reason.
   */
  P.number = function (value, set, { unit = "", difference = false, empty = false, ...more } = {}) {
    const degrees = unit.startsWith("°C") && S.isFahrenheit();
    const out = (c) => (degrees ? (difference ? c * 1.8 : c * 1.8 + 32) : c);
    const back = (f) => (degrees ? (difference ? f / 1.8 : (f - 32) / 1.8) : f);
    const shown = typeof value === "number" ? String(Math.round(out(value) * 100) / 100) : value ?? "";
    return S.make("input", { type: "text", inputmode: "decimal", value: shown, autocomplete: "off", class: "number", ...more,
      oninput: (event) => {
        const written = event.target.value.trim().replace(",", ".").replace("−", "-");
        if (written === "" && empty) set(null);
        else if (written === "" || Number.isNaN(Number(written))) set(event.target.value.trim());
        else set(back(Number(written)));
        P.changed();
      } });
  };

  P.unit = (unit) => (S.isFahrenheit() ? unit.replace("°C", "°F") : unit);
  P.shown = function (value, { unit, difference }) {
    const c = unit.startsWith("°C") && S.isFahrenheit() ? (difference ? value * 1.8 : value * 1.8 + 32) : value;
    return String(Math.round(c * 10) / 10);
  };

  /** Refusals stand beside their fields; those that have none here are said above. */
  P.showProblems = function () {
    for (const place of document.querySelectorAll("#prepare-panel p.wrong[id^='w-']")) {
      const path = place.id.slice(2);
      const found = P.problems.find((p) => p.field === path);
      place.textContent = found ? inUnit(found.text) : "";
      place.hidden = !found;
      const input = document.getElementById(`f-${path}`);
      if (found) input?.setAttribute("aria-invalid", "true");
      else input?.removeAttribute("aria-invalid");
    }
    marks();
  };

  /** The refusals give ranges in °C; who works in °F is told so. */
  const inUnit = (text) => S.capital(S.isFahrenheit() && text.includes("°C") ? `${text} (°C as the plan is kept)` : text);
  P.inUnit = inUnit;

  P.stepOf = (field) => (!field ? "plan" : field.startsWith("probe") ? "probes" : field.startsWith("alarm") ? "alarms" : "plan");
  P.download = function (name, text) {
    const link = S.make("a", { href: URL.createObjectURL(new Blob([text], { type: "application/toml" })), download: name });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  };
})(window.Stokewatch);
