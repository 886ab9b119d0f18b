/* Preparing, first step: what is to be fired how hot, and where the plan comes from. */
"use strict";

(function (S) {
  const P = S.prepare;
  const $ = (id) => document.getElementById(id);

  P.steps.plan = {
    build(panel) {
      panel.append(
        S.make("section", { class: "leaf" },
          S.make("h2", {}, "What is fired, and how hot"),
          P.field("title", "Title", P.text(P.doc.title, (v) => { P.doc.title = v; }, { class: "wide" })),
          S.make("div", { class: "three" },
            temperature("target_c", "Target", "Every zone should reach it."),
            temperature("burnout_c", "Burn-out", "Carbon burns off the clay above it, given air."),
            P.field("soak_min", "Soak, min", P.number(P.doc.soak_min, (v) => { P.doc.soak_min = v; }), "So long a zone should stay at its target or above."),
            P.field("estimate.wall_mm", "Walls of the pots, mm", P.number(estimate().wall_mm, (v) => setEstimate("wall_mm", v), { empty: true }), "Measured. What the pots themselves are at is estimated from it; left empty, far less surely.")),
          S.make("div", { class: "does" },
            S.make("button", { type: "button", class: "main", onclick: () => save(false) }, P.name ? `Save as “${P.name}”` : "Save this plan"),
            P.name ? S.make("button", { type: "button", onclick: () => { P.name = ""; save(false); } }, "Save a copy under its title") : null,
            S.make("button", { type: "button", onclick: exportFile }, "Export as a file (TOML)")),
          S.make("p", { id: "plan-said", role: "status" }, P.said),
          S.make("div", { id: "plan-taken" })),
        S.make("section", { class: "leaf" },
          S.make("h2", {}, "Begin from"),
          source("A plan of yours", stored()),
          source("An earlier firing", firings()),
          source("A plan file", S.make("input", { type: "file", accept: ".toml", "aria-label": "Plan file", onchange: bringIn })),
          source("The rig alone", S.make("button", { type: "button", onclick: afresh }, "A new plan from its channels")),
          S.make("p", { class: "wrong", id: "plan-refused", role: "alert", hidden: true })));
    },
    valid() {},
  };

  function temperature(key, label, hint) {
    const kind = { unit: "°C", difference: false };
    return P.field(key, `${label}, ${P.unit("°C")}`, P.number(P.doc[key], (v) => { P.doc[key] = v; }, kind), hint);
  }

  const estimate = () => P.doc.estimate || {};

  function setEstimate(key, value) {
    const { [key]: _, ...rest } = estimate();
    if (value !== null) rest[key] = value;
    if (Object.keys(rest).length) P.doc.estimate = rest;
    else delete P.doc.estimate;
  }

  const source = (label, ...what) => S.make("div", { class: "source" }, S.make("h3", {}, label), ...what);

  function refuse(text) {
    $("plan-refused").textContent = text;
    $("plan-refused").hidden = !text;
  }

  async function tryTo(act) {
    refuse("");
    try {
      await act();
    } catch (refused) {
      refuse(refused.message);
    }
  }

  function stored() {
    if (!P.plans.length) return S.el("p", "hint", "None is saved yet.");
    return S.make("ul", { class: "plans" }, ...P.plans.map((plan) => S.make("li", {},
      S.make("div", {},
        S.make("b", {}, plan.title || plan.name),
        S.make("span", { class: "hint" }, plan.trouble ? `can't be read: ${plan.trouble}`
          : `${plan.name} · ${plan.probes} probes · ${S.degrees(plan.target_c)} ${S.unit()} · ${S.date(plan.changed_s)}`)),
      S.make("div", { class: "does" },
        plan.trouble ? null : S.make("button", { type: "button", onclick: () => tryTo(async () => {
          const told = await S.getJson(`/api/prepare/plans/${plan.name}`);
          P.take(told.plan, plan.name, `Opened “${plan.name}”.`);
        }) }, "Open"),
        S.make("button", { type: "button", onclick: (event) => remove(event.target, plan.name) }, "Remove")))));
  }

  /** Removing asks once more on the same button, so that a sooty finger's slip costs nothing. */
  function remove(button, name) {
    if (button.dataset.sure !== "yes") {
      button.dataset.sure = "yes";
      button.textContent = "Really remove";
      setTimeout(() => { button.dataset.sure = ""; button.textContent = "Remove"; }, 4000);
      return;
    }
    tryTo(async () => {
      P.plans = (await S.postJson(`/api/prepare/plans/${name}/remove`, {})).plans;
      if (P.name === name) P.name = "";
      P.build();
    });
  }

  function firings() {
    const there = P.firings.filter((f) => f.planned || !f.running);
    if (!there.length) return S.el("p", "hint", "There is none yet.");
    const choice = S.make("select", { "aria-label": "Earlier firing" }, ...there.map((f) => S.make("option", { value: f.id },
      `${f.title || f.id}, ${S.date(f.started_s)}, ${f.probes} probes${f.invented ? " (invented)" : ""}`)));
    return S.make("div", { class: "does" }, choice, S.make("button", { type: "button", onclick: () => tryTo(async () => {
      const told = await S.getJson(`/api/prepare/firing/${encodeURIComponent(choice.value)}`);
      const title = told.plan.title;
      P.take({ ...told.plan, title: title ? `After ${title}` : "" }, "", "Copied: probes, targets and alarms of that firing.");
    }) }, "Copy its plan"));
  }

  function bringIn(event) {
    const file = event.target.files[0];
    if (!file) return;
    tryTo(async () => {
      if (file.size > 200000) throw new Error(`${file.name} is too large to be a plan.`);
      const told = await S.postJson("/api/prepare/read", { toml: await file.text() });
      P.take(told.plan, "", `Read from ${file.name}.`);
    });
  }

  function afresh() {
    tryTo(async () => {
      const told = await S.getJson("/api/prepare/start");
      P.take(told.plan, "", "A new plan.");
    });
  }

  async function exportFile() {
    if (P.toml === null) {
      $("plan-said").textContent = "Something in the plan is wrong; mend that first.";
      return;
    }
    P.download(`${P.fileName || "plan"}.toml`, P.toml);
  }

  async function save(replace) {
    const said = $("plan-said");
    $("plan-taken").replaceChildren();
    try {
      // The plan that was opened is saved over; another's name is taken only when that is said.
      const told = await S.postJson("/api/prepare/plans", { plan: P.doc, name: P.name, replace: replace || Boolean(P.name) });
      P.plans = told.plans;
      P.name = told.name;
      P.take(P.doc, told.name, `Saved as “${told.name}”.`);
    } catch (refused) {
      said.textContent = S.capital(refused.message);
      if (refused.field === "name") {
        $("plan-taken").replaceChildren(S.make("button", { type: "button", onclick: () => save(true) }, "Replace that one"));
      } else if (refused.field) {
        P.problems = [...P.problems.filter((p) => p.field !== refused.field), { field: refused.field, text: refused.message }];
        P.showProblems();
      }
    }
  }
})(window.Stokewatch);
