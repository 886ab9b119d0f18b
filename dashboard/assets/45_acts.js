/* What a person does beside the fire: notes with one tap, spot readings with three, and a minute to take it back. */
"use strict";

(function (S) {
  const UNDO_S = 60;
  const $ = (id) => document.getElementById(id);
  let undo = null; // {event, until, words}
  let said = null;

  function say(words, event) {
    clearTimeout(said);
    undo = event ? { event, until: performance.now() + UNDO_S * 1000, words } : null;
    $("done").replaceChildren(S.el("span", "", words));
    if (undo) {
      const back = S.el("button", "", "Undo");
      back.type = "button";
      back.addEventListener("click", () => takeBack(back));
      $("done").append(back);
      said = setTimeout(() => { if (undo && undo.event === event) hush(); }, UNDO_S * 1000);
    } else {
      said = setTimeout(hush, 12_000);
    }
  }

  function hush() {
    undo = null;
    $("done").replaceChildren();
  }

  async function takeBack(button) {
    const { event, words } = undo;
    button.disabled = true;
    try {
      await S.act("retract", { event });
      say(`Taken back: ${words.replace(/^Noted: /, "")}`);
    } catch (error) {
      say(error.message);
    }
  }

  /** Do it, and say what came of it; true if it was done. */
  S.actAndSay = async function (kind, data, words) {
    try {
      const answer = await S.act(kind, data);
      if (answer.waiting) say("The logger doesn't answer; it will be noted when it is back.");
      else say(words, answer.event);
      return true;
    } catch (error) {
      say(error.message);
      return false;
    }
  };

  // --- dialogs: the browser's own, which keep the keyboard inside and close with Escape ------------------------------

  S.dialog = function (title, fill) {
    const box = S.el("dialog", "sheet");
    const form = S.el("form");
    form.method = "dialog";
    form.noValidate = true;
    form.append(S.el("h2", "", title));
    const wrong = S.el("p", "wrong");
    wrong.setAttribute("role", "alert");
    const close = S.el("button", "", "Cancel");
    close.type = "button";
    close.addEventListener("click", () => box.close());
    const done = S.el("button", "main", "Done");
    done.type = "submit";
    const submit = fill(form, { box, wrong, done });
    const last = S.el("div", "last");
    last.append(close, done);
    form.append(wrong, last);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      wrong.textContent = "";
      done.disabled = true;
      try {
        await submit();
        box.close("done");
      } catch (error) {
        wrong.textContent = error.message;
      }
      done.disabled = false;
    });
    box.append(form);
    box.setAttribute("aria-label", title);
    box.addEventListener("close", () => box.remove());
    document.body.append(box);
    box.showModal();
    return box;
  };

  S.field = function (form, label, input) {
    const row = S.el("label", "field");
    row.append(S.el("span", "", label), input);
    form.append(row);
    return input;
  };

  function input(type, attributes) {
    const made = S.el(type === "textarea" ? "textarea" : "input");
    if (type !== "textarea") made.type = type;
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    return made;
  }
  S.input = input;

  function write() {
    S.dialog("Note", (form) => {
      const text = S.field(form, "What you did or saw", input("textarea", { maxlength: 1000, rows: 3 }));
      return async () => {
        const words = text.value.trim();
        if (!words) throw new Error("Write a word or two.");
        const answer = await S.act("note", { kind: "text", text: words });
        say(answer.waiting ? "The logger doesn't answer; it will be noted when it is back." : `Noted: ${words.slice(0, 40)}`, answer.event);
      };
    });
  }

  // --- spot reading: place, number, done ------------------------------------------------------------------------------

  const kept = (name, otherwise) => {
    try { return window.localStorage.getItem(`stokewatch.${name}`) || otherwise; } catch { return otherwise; }
  };
  const keep = (name, value) => { try { window.localStorage.setItem(`stokewatch.${name}`, value); } catch { /* until a reload */ } };

  function places() {
    const zones = [...new Set(S.probes.filter((p) => p.reads !== "coals").map((p) => p.zone))];
    const coals = [...new Set(S.probes.filter((p) => p.reads === "coals").map((p) => p.zone))];
    return [...zones, ...coals.filter((z) => !zones.includes(z))];
  }

  const FAR_C = 150; // no place of a zone is so far from its probes, but for a slip of the finger (common practice, no source)

  /** What is known of a zone, in words, where a reading of the gun is far from all of it. */
  function far(zone, c) {
    const probes = S.probes.map((p, i) => (p.zone === zone ? S.currentC(i) : null)).filter((each) => each !== null);
    const pots = S.potsC(zone);
    const known = pots === null ? probes : [...probes, pots];
    if (!known.length || known.some((each) => Math.abs(each - c) <= FAR_C)) return "";
    const [least, most] = [Math.min(...known), Math.max(...known)].map(S.degrees);
    const span = least === most ? least : `${least} to ${most}`;
    return probes.length ? `the probes here read ${span} ${S.unit()}` : `the pots here are estimated at ${span} ${S.unit()}`;
  }

  function spot() {
    S.dialog("Spot reading", (form, { done }) => {
      let place = null;
      let digits = "";
      const where = S.el("div", "places");
      where.setAttribute("role", "group");
      where.setAttribute("aria-label", "Where the gun pointed");
      const buttons = places().map((zone) => {
        const button = S.el("button", "", zone);
        button.type = "button";
        button.addEventListener("click", () => { place = zone; show(); });
        where.append(button);
        return [zone, button];
      });
      const number = S.el("output", "number");
      number.setAttribute("aria-label", "Temperature");
      const pad = S.el("div", "pad");
      for (const key of ["1", "2", "3", "4", "5", "6", "7", "8", "9", "−", "0", "⌫"]) {
        const button = S.el("button", "", key);
        button.type = "button";
        button.setAttribute("aria-label", { "−": "minus", "⌫": "delete" }[key] || key);
        button.addEventListener("click", () => press(key));
        pad.append(button);
      }
      const emissivity = input("number", { min: 0.1, max: 1, step: 0.01, inputmode: "decimal" });
      emissivity.value = kept("emissivity", "0.95");
      let doubted = null; // the reading that was asked about once
      const missing = S.el("p", "hint");
      missing.setAttribute("role", "status");
      form.append(where, number, missing, pad);
      S.field(form, "Emissivity that the gun is set to", emissivity);
      form.append(S.el("p", "hint", "Unglazed clay and soot: 0.90–0.95. Set the gun and this field alike; what the gun can't change, enter as it is."));
      form.append(S.el("p", "hint", "A gun reads one spot of surface, and nothing through flame or smoke. Never point its laser at eyes."));
      form.addEventListener("keydown", (event) => {
        if (event.target === emissivity) return;
        const key = { Backspace: "⌫", "-": "−" }[event.key] || event.key;
        if (/^[0-9−⌫]$/.test(key)) press(key);
      });
      emissivity.setAttribute("aria-describedby", "emissivity-hint");
      form.querySelectorAll(".hint")[1].id = "emissivity-hint";

      function press(key) {
        if (key === "⌫") digits = digits.slice(0, -1);
        else if (key === "−") digits = digits.startsWith("-") ? digits.slice(1) : `-${digits}`;
        else if (digits.replace("-", "").length < 4) digits += key;
        show();
      }
      function show() {
        for (const [zone, button] of buttons) button.setAttribute("aria-pressed", String(zone === place));
        number.textContent = `${digits.replace("-", "−") || "–"} ${S.unit()}`;
        done.disabled = place === null || !/\d/.test(digits);
        if (doubted !== `${place} ${digits}`) done.textContent = "Done"; // another number is another question
        missing.textContent = place === null ? "Tap the zone you aimed at." : done.disabled ? "Tap in what the gun shows." : "Look once more, then keep it.";
      }
      show();
      return async () => {
        const shown = Number(digits);
        const data = { zone: place, temperature_c: S.isFahrenheit() ? (shown - 32) / 1.8 : shown, emissivity: Number(emissivity.value) };
        const doubt = far(place, data.temperature_c);
        if (doubt && doubted !== `${place} ${digits}`) {
          doubted = `${place} ${digits}`; // never refused: the gun may be right
          done.textContent = "Keep it";
          throw new Error(`${shown} ${S.unit()}, but ${doubt}. Is it the right zone, and the number as the gun shows it?`);
        }
        const answer = await S.act("spot", data);
        keep("emissivity", emissivity.value);
        say(answer.waiting ? "The logger doesn't answer; it will be noted when it is back." : `Noted: ${place} at ${shown} ${S.unit()}`, answer.event);
      };
    });
  }

  // --- alarms: seen, or put on the shelf ---------------------------------------------------------------------------------

  /** One tap for all alarms that came and went. */
  S.seenButton = function (alarms) {
    const buttons = S.el("div", "buttons");
    const button = S.el("button", "", alarms.length > 1 ? "Acknowledge all" : "Acknowledge");
    button.type = "button";
    button.addEventListener("click", async () => {
      for (const alarm of alarms) {
        if (!await S.actAndSay("ack", { key: alarm.key }, `Acknowledged: ${alarm.title || alarm.rule}`)) return;
      }
    });
    buttons.append(button);
    return buttons;
  };

  S.alarmButtons = function (alarm) {
    const buttons = S.el("div", "buttons");
    const add = (label, kind, data, words, aloud) => {
      const button = S.el("button", "", label);
      button.type = "button";
      if (aloud) button.setAttribute("aria-label", aloud);
      button.addEventListener("click", () => S.actAndSay(kind, { key: alarm.key, ...data }, words));
      buttons.append(button);
    };
    const title = alarm.title || alarm.rule;
    if (alarm.state !== "acknowledged") add(alarm.warning === false ? "Noted" : "Acknowledge", "ack", {}, `Acknowledged: ${title}`);
    if (alarm.warning !== false) {
      for (const minutes of [10, 30]) {
        add(minutes === 10 ? "Shelve 10 min" : "30 min", "shelve", { minutes }, `Shelved for ${minutes} min: ${title}`, `Shelve ${minutes} min`);
      }
    }
    return buttons;
  };

  /** By the tablet's clock, in its own zone; told by the firing's time, which may run faster than the day. */
  function shelvedUntil(event) {
    const until = event.data.shelved_until_s;
    if (typeof until !== "number") return "";
    const at = new Date(Date.now() + (until - S.nowS()) * 1000 / S.scale());
    return ` until ${at.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" })}`;
  }

  function showShelf() {
    const last = new Map();
    for (const e of S.events) if (e.kind === "alarm" && e.data.key) last.set(e.data.key, e);
    const shelved = running() ? [...last.values()].filter((e) => e.data.transition === "shelved") : [];
    $("shelf").hidden = !shelved.length;
    const key = JSON.stringify(shelved.map((e) => e.id));
    if (key === showShelf.shown) return;
    showShelf.shown = key;
    $("shelf").replaceChildren(...shelved.map((e) => {
      const row = S.el("p", "", `On the shelf${shelvedUntil(e)}: ${e.data.title}${e.data.zone ? `, ${e.data.zone}` : ""}`);
      const button = S.el("button", "", "Take it off");
      button.type = "button";
      button.addEventListener("click", () => S.actAndSay("unshelve", { key: e.data.key }, `Off the shelf: ${e.data.title}`));
      row.append(button);
      return row;
    }));
  }

  function showHistory() {
    const alarms = S.events.filter((e) => e.kind === "alarm").reverse();
    $("history").hidden = !alarms.length;
    const key = JSON.stringify([alarms.map((e) => e.id), S.choices.unit]);
    if (key === showHistory.shown) return;
    showHistory.shown = key;
    $("past-alarms").replaceChildren(...alarms.map((e) => {
      const row = S.el("li", S.inWords(e).kind);
      const who = e.who && e.who !== "page" ? ` by ${e.who}` : "";
      row.append(S.el("b", "", `${Math.floor(e.t / 60)} min`),
        S.el("span", "", `${S.capital(e.data.transition || "raised")}${who}: ${String(e.data.message || "").startsWith(e.data.title) ? "" : `${e.data.title}. `}${S.spoken(e.data.message || "")}`));
      return row;
    }));
  }

  const running = () => S.firing !== null && S.firing.ended_s === null;

  S.startActs = function () {
    for (const button of document.querySelectorAll("[data-note]")) {
      const { note, amount } = button.dataset;
      button.addEventListener("click", async () => {
        button.disabled = true;
        const words = [S.NOTED[note], amount].filter(Boolean).join(", ");
        await S.actAndSay("note", { kind: note, amount: amount || "" }, `Noted: ${words}`);
        button.disabled = false;
        button.focus({ preventScroll: true });
      });
    }
    $("write").addEventListener("click", write);
    $("spot").addEventListener("click", spot);
    S.onChange(() => {
      $("acts").hidden = !running() || !S.mayAct();
      showShelf();
      showHistory();
      S.showZones();
    });
  };
})(window.Stokewatch);
