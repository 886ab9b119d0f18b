/* Preparing, second step: the probes as they stream in; each gets a name, warmed in the hand, and a place. */
"use strict";

(function (S) {
  const P = S.prepare;
  const $ = (id) => document.getElementById(id);
  const READS = [["coals", "Coals"], ["air", "Air between pots"], ["wall", "A pot's wall"], ["surface", "Surface (infrared)"]];
  const ZONES = ["under", "lower", "middle", "upper", "windward", "leeward"];
  const STATES = {
    no_logger: "No logger runs. Start it with “stokewatch run”; the probes show here as soon as the rig sends.",
    holding: "Nothing is recorded since the last firing ended.",
    waiting: "The logger runs and waits for the rig's first reading. Is the rig powered and plugged in?",
    silent: "The rig has fallen silent. Look at its power and its lead.",
  };
  const HOTTER_THAN_A_HAND_C = 60; // a tip in a hand comes to body temperature; sun alone stays below this (common practice, no source)
  let sized = null;
  P.selected = null;

  P.steps.probes = {
    build(panel) {
      const section = S.make("div", { id: "prepare-stack" });
      panel.append(
        S.make("div", { id: "prepare-rig", role: "status" }),
        S.make("div", { id: "prepare-hand", "aria-live": "polite" }),
        S.make("div", { class: "two" },
          S.make("section", { class: "section-sheet", "aria-label": "Section of the stack" }, section,
            S.make("p", { class: "hint" }, "Drag a probe to its place, or choose it and tap there. With keys: arrows move it, with Shift by 10 cm.")),
          S.make("section", { "aria-label": "Probes" }, S.make("ul", { id: "prepare-probes" }), S.make("div", { id: "prepare-more" }))));
      P.holdPointer(section);
      list();
      sized?.disconnect();
      sized = new ResizeObserver(() => P.drawStack(section));
      sized.observe(section);
      P.drawStack(section);
    },
    look() {
      rigLine();
      hand();
      fill();
      more();
      P.drawStack();
    },
    hide() { sized?.disconnect(); },
  };

  P.select = function (i) {
    P.selected = P.selected === i ? null : i;
    list();
    P.drawStack();
    if (P.selected !== null) document.querySelector(`#prepare-probes li[data-i="${i}"]`)?.scrollIntoView({ block: "nearest" });
  };

  /** A probe was put somewhere in the drawing: its fields follow. */
  P.placeChanged = function (i) {
    P.changed();
    list();
    P.drawStack();
  };

  // --- what the rig says -----------------------------------------------------------------------------------------

  function rigLine() {
    const { state, firing, said } = P.rig;
    const line = $("prepare-rig");
    const key = JSON.stringify([state, firing && firing.id, said]);
    if (line.dataset.key === key) return;
    line.dataset.key = key;
    const parts = [];
    if (state === "page") parts.push(S.el("p", "wrong", said));
    else if (STATES[state]) parts.push(S.el("p", state === "waiting" ? "hint" : "wrong", STATES[state]));
    if (state === "holding") parts.push(S.make("button", { type: "button", class: "main", onclick: wake }, "Wake the rig"));
    line.replaceChildren(...parts);
  }

  async function wake(event) {
    event.target.disabled = true;
    try {
      await S.act("begin", {});
    } catch (refused) {
      $("prepare-rig").append(S.el("p", "wrong", refused.message));
    }
  }

  /** The one that rises is the one in the hand. */
  function hand() {
    const moving = P.rig.channels.filter((c) => c.moving).sort((a, b) => Math.abs(b.away) - Math.abs(a.away));
    const most = moving[0];
    const many = moving.length > Math.max(2, P.rig.channels.length / 2);
    const anyHot = P.rig.channels.some((c) => c.c > HOTTER_THAN_A_HAND_C);
    const box = $("prepare-hand");
    const key = JSON.stringify([anyHot, most && P.key(most), most && most.c > HOTTER_THAN_A_HAND_C, most && most.moving, most && Math.round(most.away), many, P.rig.channels.length > 0, P.selected]);
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    box.className = !most || many || most.c > HOTTER_THAN_A_HAND_C ? "" : most.moving;
    box.hidden = !P.rig.channels.length;
    if (box.hidden) return box.replaceChildren();
    if (many) return box.replaceChildren(S.el("p", "", "Most probes move at once: that is the weather or a fire, not a hand."));
    if (most && most.c > HOTTER_THAN_A_HAND_C) {
      return box.replaceChildren(S.el("p", "", "What moves is hotter than any hand: that is the fire. Tell the probes apart while they are cold."));
    }
    if (!most) {
      return box.replaceChildren(S.el("p", "", `Which is which? Hold the tip of one in your hand: it rises here within seconds.${anyHot ? " Don't touch those that are hot." : ""}`));
    }
    const by = `${Math.abs(S.isFahrenheit() ? most.away * 1.8 : most.away).toFixed(1)} ${S.unit()}`;
    const i = P.doc.probe.findIndex((probe) => P.channelOf(probe) === most);
    const name = i >= 0 ? P.doc.probe[i].name : most.channel;
    const words = most.moving === "rising" ? [S.el("b", "", `▲ ${name} rises`), ` by ${by}. This is the one in your hand.`]
      : [S.el("b", "", `▼ ${name} falls`), ` by ${by}. If you are warming it, its two wires are swapped: change them over at the terminal.`];
    const button = S.make("button", { type: "button", class: "main", onclick: () => nameIt(most) }, i < 0 ? "Put it into the plan" : most.moving === "rising" ? "Name it" : "Show it");
    return box.replaceChildren(S.make("p", {}, ...words), button);
  }

  function nameIt(channel) {
    let i = P.doc.probe.findIndex((probe) => P.channelOf(probe) === channel);
    if (i < 0) {
      add([channel]);
      i = P.doc.probe.length - 1;
    }
    P.selected = i;
    list();
    P.drawStack();
    const field = document.getElementById(`f-probe.${i}.name`);
    field?.focus();
    field?.select();
    field?.scrollIntoView({ block: "center" });
  }

  // --- the list ---------------------------------------------------------------------------------------------------

  function list() {
    const numbers = P.numbers();
    const order = P.doc.probe.map((_, i) => i).sort((a, b) => numbers[a] - numbers[b]);
    $("prepare-probes").replaceChildren(...order.map((i) => row(P.doc.probe[i], i, numbers[i])));
    P.showProblems();
    if (P.rig) fill();
  }

  function row(probe, i, number) {
    const key = S.svg("svg", { class: "key", width: 40, height: 34, viewBox: "0 0 40 34", "aria-hidden": "true" });
    key.append(S.svg("line", { x1: 0, x2: 40, y1: 17, y2: 17 }), S.svg("circle", { cx: 20, cy: 17, r: 13 }), S.svg("text", { x: 20, y: 22.5 }, number));
    if (S.dash(i) !== "solid") key.firstChild.setAttribute("stroke-dasharray", S.dash(i).replaceAll("px", ""));
    key.style.setProperty("--own", S.colour(i));
    const open = P.selected === i;
    const made = S.make("li", { "data-i": i, class: open ? "open" : "" },
      S.make("button", { type: "button", class: "probe-row", "aria-expanded": String(open), onclick: () => P.select(i) },
        key,
        S.make("span", { class: "who" }, S.make("b", {}, probe.name), S.make("span", { class: "where" }, whereOf(probe))),
        S.make("span", { class: "reading" }), S.make("span", { class: "note" })));
    if (open) made.append(fields(probe, i));
    return made;
  }

  function whereOf(probe) {
    const place = typeof probe.height_cm === "number" ? `${probe.height_cm} cm${probe.side ? ` ${probe.side}` : ""}` : "no place yet";
    return `${probe.channel ?? probe.name} · ${place} · ${S.READS[probe.reads] || probe.reads} · zone ${probe.zone}`;
  }

  /** Live values go into the rows that are there: a field that is being written in is never drawn anew. */
  function fill() {
    for (const made of document.querySelectorAll("#prepare-probes > li")) {
      const probe = P.doc.probe[Number(made.dataset.i)];
      const channel = P.channelOf(probe);
      const reading = made.querySelector(".reading");
      const good = channel && channel.status === S.OK;
      reading.textContent = good ? `${S.shown(channel.c).toFixed(1)}°` : channel ? S.STATUS[channel.status] : "no such channel";
      reading.classList.toggle("bad", !good && P.rig.channels.length > 0);
      const tried = channel ? P.tried.get(P.key(channel)) : null;
      const moving = channel && channel.moving;
      made.querySelector(".note").textContent = moving === "rising" ? `▲ +${channel.away.toFixed(1)}` : moving === "falling" ? `▼ −${Math.abs(channel.away).toFixed(1)}`
        : tried === "rose" ? "✓ warmed, rose" : tried === "fell" ? "! fell when warmed" : "";
      made.classList.toggle("rising", moving === "rising");
      made.classList.toggle("falling", moving === "falling" || (!moving && tried === "fell"));
      made.querySelector(".where").textContent = whereOf(probe);
      made.querySelector(".who b").textContent = probe.name;
    }
  }

  /** Channels that stream in and have no place in the plan. */
  function more() {
    const known = new Set(P.doc.probe.map((probe) => P.channelOf(probe)).filter(Boolean));
    const others = P.rig.channels.filter((c) => !known.has(c));
    const box = $("prepare-more");
    const key = others.map(P.key).join();
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    if (!others.length) return box.replaceChildren();
    const words = others.length === 1 ? `Channel ${others[0].channel} sends too and is in no plan.` : `${others.length} channels send and are in no plan: ${others.map((c) => c.channel).join(", ")}.`;
    return box.replaceChildren(S.el("p", "", words),
      S.make("button", { type: "button", class: "main", onclick: () => { add(others); box.dataset.key = ""; list(); P.drawStack(); more(); } },
        others.length === 1 ? "Put it into the plan" : "Put all into the plan"));
  }

  function add(channels) {
    for (const channel of channels) {
      const twice = P.rig.channels.filter((c) => c.channel === channel.channel).length > 1;
      const surface = /^ir/.test(channel.channel) || channel.how === "mlx90614";
      const name = twice ? `${channel.rig} ${channel.channel}` : channel.channel;
      P.doc.probe.push({ name, channel: channel.channel, ...(twice ? { rig: channel.rig } : {}), height_cm: null, side: "",
        reads: surface ? "surface" : "air", zone: name, type: surface ? "" : channel.letter || "K" });
    }
    P.changed();
  }

  // --- one probe's fields -------------------------------------------------------------------------------------------

  function fields(probe, i) {
    const path = `probe.${i}`;
    const set = (key) => (value) => { probe[key] = value; };
    const zones = [...new Set([...P.doc.probe.map((p) => p.zone), ...ZONES])].filter(Boolean);
    const options = (id, words) => S.make("datalist", { id }, ...words.map((word) => S.make("option", { value: word })));
    const height = P.number(probe.height_cm, (v) => { probe.height_cm = v; P.drawStack(); }, { empty: true });
    const step = (by) => S.make("button", { type: "button", "aria-label": by > 0 ? "Higher" : "Lower", onclick: () => {
      probe.height_cm = (typeof probe.height_cm === "number" ? probe.height_cm : 0) + by;
      height.value = String(probe.height_cm);
      P.changed();
      P.drawStack();
    } }, by > 0 ? "+" : "−");
    const heightField = P.field(`${path}.height_cm`, "Height above the coals, cm", height);
    heightField.insertBefore(S.make("div", { class: "stepper" }, step(-1), height, step(1)), heightField.children[1]);
    const letter = S.make("select", { onchange: (event) => { probe.type = event.target.value; P.changed(); } },
      ...["", ...P.letters].map((l) => S.make("option", { value: l, selected: (probe.type ?? "K") === l }, l || "none")));
    return S.make("div", { class: "probe-fields" }, options("prepare-zones", zones), options("prepare-sides", P.sides),
      P.field(`${path}.name`, "Name", P.text(probe.name, (v) => { probe.name = v; })),
      heightField,
      P.field(`${path}.side`, "Side", P.text(probe.side, (v) => { probe.side = v; P.drawStack(); }, { list: "prepare-sides" })),
      P.field(`${path}.zone`, "Zone", P.text(probe.zone, set("zone"), { list: "prepare-zones" }), "The part of the stack that must get hot enough as one."),
      S.make("fieldset", { class: "reads" }, S.make("legend", {}, "What it reads"),
        S.make("div", { class: "choice" }, ...READS.map(([value, text]) => S.make("button", { type: "button", "aria-pressed": String(probe.reads === value),
          onclick: (event) => {
            probe.reads = value;
            for (const other of event.target.parentElement.children) other.setAttribute("aria-pressed", String(other === event.target));
            P.changed();
          } }, text))),
        S.make("p", { class: "wrong", id: `w-${path}.reads`, role: "alert", hidden: true })),
      P.field(`${path}.channel`, "Channel of the rig", P.text(probe.channel ?? probe.name, set("channel"))),
      P.field(`${path}.type`, "Thermocouple", letter),
      S.make("div", { class: "does" }, S.make("button", { type: "button", onclick: () => {
        P.doc.probe.splice(i, 1);
        P.selected = null;
        P.changed();
        list();
        P.drawStack();
        $("prepare-more").dataset.key = "";
      } }, "Take it out of the plan")));
  }
})(window.Stokewatch);
