/* Preparing, the last steps: what goes into the car, the cold check, and arming. */
"use strict";

(function (S) {
  const P = S.prepare;
  const $ = (id) => document.getElementById(id);
  const CHECK_MS = 4000;
  const CAUTIONS = [
    "Ask about burn bans and permits, and follow local fire codes and whoever is in charge of fire where you are.",
    "Clear ground, no branches above, no wind. Water, earth and a shovel at hand. Never leave a fire.",
    "Heatproof gloves, eye protection, long tongs; no synthetic clothes.",
    "Damp pots burst, and so do stones and wet ground under a fire: dry everything for days, keep faces away.",
    "Outdoors only: coals give off carbon monoxide. They stay hot under their ash for a day.",
    "No treated wood, no old glaze or slip you don't know: the smoke can poison.",
    "Leads leave the fire below ground or in steel; battery, rig and tablet stay out of the heat.",
    "Never point a gun's laser at eyes. Low-fired ware is not for food unless it was tested.",
    "Stokewatch can fail: keep watching the fire, not only the tablet.",
  ];

  const cautions = () => S.make("section", { class: "leaf cautions" }, S.make("h2", {}, "Before any fire"),
    S.make("ul", {}, ...CAUTIONS.map((text) => S.make("li", {}, text))));

  // --- packing ------------------------------------------------------------------------------------------------------

  P.steps.pack = {
    build(panel) {
      panel.append(S.make("div", { class: "two even" },
        S.make("section", { class: "leaf" }, S.make("h2", {}, "What goes along"),
          S.make("ul", { id: "kit" }),
          S.make("form", { class: "does", onsubmit: (event) => { event.preventDefault(); addItem(); } },
            S.make("input", { type: "text", id: "kit-new", maxlength: 120, "aria-label": "Something else to take along", placeholder: "Something else …", autocomplete: "off" }),
            S.make("button", { type: "submit" }, "Add")),
          S.make("div", { class: "does" }, S.make("button", { type: "button", onclick: () => keep(P.kit.map(([item]) => [item, false])) }, "Untick all")),
          S.make("p", { class: "wrong", id: "kit-said", role: "alert", hidden: true })),
        cautions()));
      kit();
    },
  };

  function kit() {
    $("kit").replaceChildren(...P.kit.map(([item, done], n) => S.make("li", {},
      S.make("label", { class: "tick" }, S.make("input", { type: "checkbox", checked: done,
        onchange: (event) => keep(P.kit.map((each, m) => (m === n ? [item, event.target.checked] : each))) }), S.make("span", {}, item)),
      S.make("button", { type: "button", "aria-label": `Take off the list: ${item}`, class: "off-list",
        onclick: () => keep(P.kit.filter((_, m) => m !== n)) }, "×"))));
    P.marks();
  }

  function addItem() {
    const field = $("kit-new");
    if (!field.value.trim()) return;
    keep([...P.kit, [field.value.trim(), false]]).then((kept) => { if (kept) field.value = ""; });
  }

  async function keep(items) {
    const said = $("kit-said");
    try {
      P.kit = (await S.postJson("/api/prepare/kit", { items })).kit;
      said.hidden = true;
      kit();
      return true;
    } catch (refused) {
      said.textContent = S.capital(refused.message);
      said.hidden = false;
      kit();
      return false;
    }
  }

  // --- cold check ---------------------------------------------------------------------------------------------------

  let checking = null;
  let battery = null;

  P.steps.check = {
    build(panel) {
      panel.append(
        S.make("div", { class: "two even" },
          S.make("section", { class: "leaf" },
            S.make("h2", {}, "Cold check"),
            S.make("p", { class: "hint" }, "Before lighting, all probes are as warm as the air: they must agree. It looks again every few seconds. Hold each tip in your hand for ten seconds: it must rise."),
            S.make("p", { id: "check-verdict", role: "status" }),
            S.make("ul", { id: "check-found" })),
          S.make("section", { class: "leaf" },
            S.make("h2", {}, "Each tip in the hand"),
            S.make("ul", { id: "check-hands" }),
            S.make("h2", {}, "This tablet"),
            S.make("ul", { id: "check-tablet" }))));
      clearInterval(checking);
      checking = setInterval(check, CHECK_MS);
      check();
      hands();
      tablet();
      if (navigator.getBattery && !battery) navigator.getBattery().then((found) => { battery = found; if ($("check-tablet")) tablet(); }).catch(() => {});
    },
    look: hands,
    hide() { clearInterval(checking); },
  };

  async function check() {
    let report;
    let said = "";
    try {
      report = await S.postJson("/api/prepare/check", { plan: P.doc });
    } catch (refused) {
      report = null;
      said = S.capital(refused.message);
    }
    P.report = report;
    P.checkSaid = said;
    if ($("check-verdict")) {
      $("check-verdict").textContent = report ? `${S.capital(P.fitness(report))}.` : said;
      $("check-verdict").className = report && report.fit ? "fit" : P.burns(report) ? "burns" : "unfit";
      $("check-found").replaceChildren(...(report ? report.findings.map(finding) : []));
      hands();
    }
    P.marks();
    return report;
  }
  P.checkNow = check;
  /** While a fire is on, nothing was found wrong: nothing was looked at. */
  P.burns = (report) => Boolean(report && report.findings.some((f) => f.what === "fire"));
  P.fitness = (report) => (report.fit ? "the rig is fit" : P.burns(report) ? "a fire is on" : "not fit yet");

  const SIGNS = { fail: "✗", warn: "!", pass: "✓" };
  const WORDS = { fail: "not fit", warn: "look", pass: "good" };

  function finding(found) {
    return S.make("li", { class: found.what === "fire" ? "warn" : found.level },
      S.make("span", { class: "sign", role: "img", "aria-label": found.what === "fire" ? "fire" : WORDS[found.level] }, found.what === "fire" ? "!" : SIGNS[found.level]),
      S.make("div", {}, S.make("b", {}, S.capital(found.where)), `: ${found.text}`, found.mend ? S.el("p", "mend", `▸ ${S.capital(found.mend)}`) : null));
  }

  function hands() {
    const box = $("check-hands");
    if (!box || !P.rig) return;
    const rows = P.rig.channels.filter((c) => c.letter !== null && c.how !== "°C");
    if (!rows.length) return box.replaceChildren(S.el("li", "hint", "No thermocouple sends at the moment."));
    if (P.burns(P.report)) return box.replaceChildren(S.el("li", "hint", "A fire is on: keep your hands off the tips."));
    return box.replaceChildren(...rows.map((c) => {
      const probe = P.doc.probe.find((p) => P.channelOf(p) === c);
      const tried = P.tried.get(P.key(c)) || "";
      const moves = c.moving === "rising" ? `▲ rises, +${c.away.toFixed(1)} °C` : c.moving === "falling" ? `▼ falls, −${Math.abs(c.away).toFixed(1)} °C` : "";
      const done = tried === "rose" ? "✓ rose" : tried === "fell" ? "✗ fell: swap its two wires" : "not warmed yet";
      return S.make("li", { class: `${tried} ${c.moving}` }, S.make("b", {}, probe ? probe.name : c.channel), S.make("span", {}, moves || done));
    }));
  }

  function tablet() {
    const rows = [S.make("li", {},
      S.make("button", { type: "button", class: "main", onclick: () => S.sound.test().then(tablet) }, "Try the alarm's sound"),
      S.make("span", { class: "hint" }, S.sound?.isOn() ? "✓ On. Can you hear it from where you will stand?" : "Off until it is tried: browsers want a tap first."))];
    const beacons = Object.entries((P.rig && P.rig.beacons) || {});
    if (beacons.length) {
      rows.push(S.make("li", {}, S.make("button", { type: "button", onclick: tryBeacons }, "Try the lamp at the fire"),
        S.make("span", { class: "hint", id: "beacon-said" }, beacons.map(([rig, state]) => `rig ${rig}: ${state}`).join(", "))));
    }
    if (battery) {
      const percent = Math.round(battery.level * 100);
      rows.push(S.make("li", {}, `Battery at ${percent} %${battery.charging ? ", charging" : percent < 60 ? ": charge it, a firing takes half a day" : ""}`));
    }
    rows.push(S.make("li", {}, `Its clock says ${new Date().toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" })}.`));
    $("check-tablet").replaceChildren(...rows);
  }

  async function tryBeacons() {
    try {
      await S.act("beacon_test", {});
      $("beacon-said").textContent = "Asked for. Does it light, or sound?";
    } catch (refused) {
      $("beacon-said").textContent = S.capital(refused.message);
    }
  }

  // --- arm --------------------------------------------------------------------------------------------------------------

  let anyway = false;
  let ending = false; // the firing that runs under a plan is to end

  P.steps.light = {
    build(panel) {
      anyway = ending = false;
      panel.append(S.make("div", { class: "two even" },
        S.make("section", { class: "leaf", id: "arm-sheet" },
          S.make("h2", {}, "Arm, and light"),
          S.make("dl", { id: "arm-facts" }),
          S.make("ul", { id: "arm-reasons" }),
          S.make("div", { id: "arm-now" }, S.make("div", { id: "arm-asks" }),
            S.make("button", { type: "button", id: "arm", onclick: arm }, "Arm")),
          S.make("p", { class: "wrong", id: "arm-said", role: "alert", hidden: true })),
        cautions()));
      ready();
      check().then(ready);
    },
    look: ready,
    valid: ready,
  };

  /** Why it can't be armed; what only advises against it can be overridden, knowingly. */
  function reasons() {
    const never = [];
    const advice = [];
    const rig = P.rig ? P.rig.state : "";
    if (rig === "no_logger") never.push(["No logger runs: start it with “stokewatch run”.", "probes"]);
    if (rig === "page") never.push([P.rig.said, "probes"]);
    for (const p of P.problems) never.push([`${S.capital(p.text)}`, P.stepOf(p.field)]);
    if (!P.doc.probe.length) advice.push(["No probe has a place in the plan.", "probes"]);
    if (["silent", "waiting", "holding"].includes(rig)) advice.push(["No readings come in, so the rig can't be checked.", "probes"]);
    else if (P.report && !P.report.fit) {
      const failing = P.report.findings.filter((f) => f.level === "fail");
      for (const f of failing.slice(0, 4)) advice.push([`${S.capital(f.where)}: ${f.text}.`, "check"]);
      if (failing.length > 4) advice.push([`And ${failing.length - 4} more that the cold check found.`, "check"]);
    }
    return { never, advice };
  }

  function ready() {
    if (!$("arm")) return;
    const { never, advice } = reasons();
    const placed = P.doc.probe.filter((p) => typeof p.height_cm === "number").length;
    const off = P.rules.filter((r) => r.warning && !P.doc.alarm[r.name].enabled).map((r) => r.title.toLowerCase());
    const packed = P.kit.filter(([, done]) => done).length;
    const degrees = (c) => (typeof c === "number" ? `${S.degrees(c)} ${S.unit()}` : "?");
    const facts = [
      ["Title", P.doc.title || "none"],
      ["Target", `${degrees(P.doc.target_c)} for ${P.doc.soak_min} min; burn-out ${degrees(P.doc.burnout_c)}`],
      ["Probes", `${P.doc.probe.length}, ${placed} of them with a place, in ${new Set(P.doc.probe.map((p) => p.zone)).size} zones`],
      ["Alarms", off.length ? `off: ${off.join(", ")}` : "all on"],
      ["Packed", `${packed} of ${P.kit.length}`],
      ["Sound", S.sound?.isOn() ? "on, on this tablet" : "off on this tablet: try it under Cold check"],
      ["Cold check", !P.report ? P.checkSaid || "looking …" : P.fitness(P.report)],
    ];
    const running = P.rig && P.rig.firing;
    if (running && !running.planned) facts.push(["Until now", `“${running.title}” runs without a plan. It ends, and the firing begins.`]);
    const key = JSON.stringify([facts, never, advice, anyway, ending, running && running.id]);
    if ($("arm-facts").dataset.key === key) return;
    $("arm-facts").dataset.key = key;
    $("arm-facts").replaceChildren(...facts.flatMap(([name, text]) => [S.el("dt", "", name), S.el("dd", "", text)]));
    $("arm-reasons").replaceChildren(...[...never, ...advice].map(([text, where]) => S.make("li", {}, `${text} `, S.make("a", { href: `#prepare/${where}`, class: "go" }, "Mend"))));
    const asks = [];
    if (advice.length && !never.length) asks.push(ask(anyway, "I have seen this, and arm all the same.", (on) => { anyway = on; }));
    if (running && running.planned) asks.push(ask(ending, `“${running.title}” runs under a plan with ${running.readings.toLocaleString("en-GB")} readings. End it now.`, (on) => { ending = on; }));
    $("arm-asks").replaceChildren(...asks);
    const open = !never.length && (!advice.length || anyway) && (!running || !running.planned || ending) && P.toml !== null && Boolean(P.rig);
    $("arm").disabled = !open;
  }

  const ask = (on, text, set) => S.make("label", { class: "tick" }, S.make("input", { type: "checkbox", checked: on,
    onchange: (event) => { set(event.target.checked); ready(); } }), S.make("span", {}, text));

  async function arm() {
    const running = P.rig.firing;
    $("arm").disabled = true;
    $("arm-said").hidden = true;
    try {
      const told = await S.act("arm", { plan_toml: P.toml, ...(running && running.planned ? { replace: running.id } : {}) });
      if (told.waiting) throw new Error("The logger hasn't answered yet; it arms as soon as it is back.");
      P.forget();
      S.go("fire");
    } catch (refused) {
      $("arm-said").textContent = S.capital(refused.message);
      $("arm-said").hidden = false;
      $("arm-facts").dataset.key = "";
      ready();
    }
  }
})(window.Stokewatch);
