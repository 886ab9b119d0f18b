/* Firings laid over one another: one line each, from the moment they have in common; and what people compare. */
"use strict";

(function (S) {
  const MOST = 6;
  const QUARTZ_C = 573;
  const CONFIG = { displayModeBar: false, staticPlot: true, responsive: false };
  const MARGIN = { l: 56, r: 44, t: 34, b: 54 };
  const BASIS = { estimated: "a model, not a measurement", judged: "as the judgement said", written: "as people wrote it down" };
  const $ = (id) => document.getElementById(id);

  let ids = [];
  let known = new Map(); // by ID: what the server told, or an Error
  let all = []; // firings that could be added
  let round = 0; // what is asked for belongs to the latest visit only
  const opened = new Set(); // zones whose facts are shown; null for the whole load
  const folded = new Set();
  let choice = { line: "coldest", align: "lit", zone: "", temperature_c: 500 };

  S.rooms.compare = {
    async show(args) {
      const mine = (round += 1);
      const asked = [...new Set(args.split(",").map((id) => id.trim()).filter(Boolean))];
      ids = asked.slice(0, MOST);
      for (const id of [...known.keys()]) if (!ids.includes(id) || known.get(id) instanceof Error) known.delete(id);
      draw();
      listAll();
      for (const id of ids) { // one after another: each takes seconds the first time, and is shown when it is there
        if (known.has(id) && !known.get(id).firing.running) continue;
        say(`Working out ${ids.indexOf(id) + 1} of ${ids.length} …`);
        let told;
        try {
          told = await S.getJson(`/api/compare/${encodeURIComponent(id)}`);
        } catch (refused) {
          told = refused;
        }
        if (mine !== round) return;
        known.set(id, told);
        draw();
      }
      if (mine !== round) return;
      if (asked.length > MOST) say(`Six at most: ${asked.length - MOST} more are left out.`);
      else say(there().length > 1 ? "" : "Choose at least two firings.");
    },
    hide() { round += 1; },
    redraw() { draw(); }, // another unit, or the light
  };

  const say = (text) => { $("compare-said").textContent = text; };
  const there = () => ids.map((id) => known.get(id)).filter((told) => told && !(told instanceof Error));
  const number = (told) => ids.indexOf(told.firing.id) + 1;
  const colour = (told) => S.colour(number(told) - 1);
  const dash = (told) => S.dash(number(told) - 1);
  const go = (some) => S.go(some.length ? `compare/${some.join(",")}` : "compare");

  function draw() {
    chosen();
    choices();
    const some = there().filter((told) => told.lines.coldest);
    $("compare-chart").hidden = !some.length;
    $("compare-how").hidden = !some.length;
    if (some.length) chart(some);
    $("compare-facts").replaceChildren(...(there().length ? [table(there())] : []));
  }

  // --- which firings, and how they are laid ----------------------------------------------------------------

  async function listAll() {
    try {
      all = (await S.getJson("/api/archive")).firings;
    } catch {
      all = []; // then none can be added here; those chosen are shown all the same
    }
    chosen();
  }

  function key(n) {
    const made = S.svg("svg", { class: "key", width: 46, height: 26, viewBox: "0 0 46 26", "aria-hidden": "true" });
    const line = S.svg("line", { x1: 0, x2: 46, y1: 13, y2: 13 });
    if (S.dash(n - 1) !== "solid") line.setAttribute("stroke-dasharray", S.dash(n - 1).replaceAll("px", ""));
    made.append(line, S.svg("circle", { cx: 23, cy: 13, r: 12 }), S.svg("text", { x: 23, y: 18.5 }, String(n)));
    made.style.setProperty("--own", S.colour(n - 1));
    return made;
  }

  function chosen() {
    const items = ids.map((id, n) => {
      const told = known.get(id);
      const item = S.el("li", "one");
      item.dataset.id = id;
      const words = S.el("div", "words");
      if (told instanceof Error) words.append(S.el("b", "", id), S.el("span", "wrong", told.message));
      else if (!told) words.append(S.el("b", "", listed(id)), S.el("span", "", "being worked out …"));
      else {
        const f = told.firing;
        const link = S.el("a", "", f.title || "Firing");
        link.href = `#report/${f.id}`;
        words.append(link, S.el("span", "", [f.time_known ? date(f.started_s) : "no date in its file",
          f.running ? "still running" : "", f.invented ? "invented, not measured" : ""].filter(Boolean).join(" · ")));
      }
      const out = S.el("button", "out", "Take out");
      out.type = "button";
      out.setAttribute("aria-label", `Take out ${told && told.firing ? told.firing.title : id}`);
      out.addEventListener("click", () => go(ids.filter((other) => other !== id)));
      item.append(key(n + 1), words, out);
      return item;
    });
    if (ids.length < MOST) items.push(adder());
    $("compare-chosen").replaceChildren(...items.filter(Boolean));
  }

  const date = (s) => new Date(s * 1000).toLocaleString("en-GB",
    { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" });
  const listed = (id) => { const f = all.find((one) => one.id === id); return f ? f.title : id; };

  function adder() {
    const rest = all.filter((f) => !ids.includes(f.id));
    if (!rest.length) return null;
    const item = S.el("li", "add");
    const label = S.el("label", "", ids.length ? "Add a firing" : "Choose a firing");
    const select = S.el("select");
    select.id = "compare-add";
    label.htmlFor = select.id;
    select.append(new Option("…", ""), ...rest.map((f) => new Option(
      [f.title, f.time_known ? date(f.started_s) : "", f.invented ? "invented" : ""].filter(Boolean).join(", "), f.id)));
    select.addEventListener("change", () => { if (select.value) go([...ids, select.value]); });
    item.append(label, select);
    return item;
  }

  function zones() {
    const names = [];
    for (const told of there()) for (const z of told.zones) if (!names.includes(z.zone)) names.push(z.zone);
    return names;
  }

  function choices() {
    const box = $("compare-choices");
    box.hidden = !there().length;
    if (box.hidden) return;
    const names = zones();
    if (!names.includes(choice.zone)) choice.zone = names[0] || "";
    if (choice.line.startsWith("zone:") && !names.includes(choice.line.slice(5))) choice.line = "coldest";
    const line = picker("compare-line", "Line", [["coldest", "coldest place of the pots"], ["hottest", "hottest place of the pots"],
      ...names.map((name) => [`zone:${name}`, `zone ${name}`])], choice.line, (value) => { choice.line = value; });
    const align = picker("compare-align", "Laid together at", [["lit", "lighting"], ["zone", "a zone passing"]],
      choice.align, (value) => { choice.align = value; });
    box.replaceChildren(line, align);
    if (choice.align === "lit") return;
    box.append(picker("compare-zone", "Zone", names.map((name) => [name, name]), choice.zone, (value) => { choice.zone = value; }));
    const input = S.el("input");
    input.type = "number";
    input.id = "compare-at";
    input.value = S.degrees(choice.temperature_c);
    input.min = S.degrees(30);
    input.max = S.degrees(1200);
    input.step = 1;
    const label = S.el("label", "", `Temperature, ${S.unit()}`);
    label.htmlFor = input.id;
    const wrong = S.el("span", "wrong");
    wrong.setAttribute("role", "alert");
    input.addEventListener("change", () => {
      const c = S.isFahrenheit() ? (Number(input.value) - 32) / 1.8 : Number(input.value);
      if (input.value.trim() === "" || !(c >= 29 && c <= 1201)) {
        wrong.textContent = `Give ${input.min} to ${input.max} ${S.unit()}.`;
        input.setAttribute("aria-invalid", "true");
        return;
      }
      choice.temperature_c = c;
      draw();
    });
    const field = S.el("div", "field");
    field.append(label, input, wrong);
    box.append(field);
  }

  function picker(id, text, options, value, take) {
    const field = S.el("div", "field");
    const label = S.el("label", "", text);
    const select = S.el("select");
    select.id = id;
    label.htmlFor = id;
    select.append(...options.map(([v, words]) => new Option(words, v)));
    select.value = value;
    select.addEventListener("change", () => {
      take(select.value);
      draw();
      $(id).focus();
    });
    field.append(label, select);
    return field;
  }

  // --- the moment they have in common ------------------------------------------------------------------------

  /** When a line first comes to a temperature [s]; null where it never does. */
  function crossing(line, temperature_c) {
    for (let n = 0; n < line.t.length; n += 1) {
      if (line.c[n] === null || line.c[n] < temperature_c) continue;
      const before = n ? line.c[n - 1] : null;
      if (before === null) return line.t[n];
      return line.t[n - 1] + ((temperature_c - before) / (line.c[n] - before)) * (line.t[n] - line.t[n - 1]);
    }
    return null;
  }

  const clock = (s) => `${Math.floor(s / 3600)}:${String(Math.floor((s % 3600) / 60)).padStart(2, "0")}`;
  const moved = (text) => S.isFahrenheit() ? text.replace(/(\d+) °C a minute/g, (_, n) => `${Math.round(n * 1.8)} °F a minute`)
    .replace(/by (\d+) °C/g, (_, n) => `by ${Math.round(n * 1.8)} °F`) : text;

  function moment(told) {
    const lit = { t: told.lit.t_s, how: told.lit.found ? `lit ${clock(told.lit.t_s)} after its first reading (${moved(told.lit.how)})`
      : "no lighting was seen: laid at its first reading" };
    if (choice.align === "lit") return lit;
    const line = (told.lines.zones || {})[choice.zone];
    const at = `${S.degrees(choice.temperature_c)} ${S.unit()}`;
    if (!line) return { ...lit, how: `has no zone ${choice.zone}; ${lit.how}` };
    const t = crossing(line, choice.temperature_c);
    if (t === null) return { ...lit, how: `${choice.zone} never came to ${at}; ${lit.how}` };
    return { t, how: `${choice.zone} passes ${at} for the first time ${clock(t)} after the first reading` };
  }

  S.compareMoments = () => there().map((told) => ({ id: told.firing.id, ...moment(told) })); // for tests

  const lineOf = (told) => choice.line.startsWith("zone:") ? (told.lines.zones || {})[choice.line.slice(5)] : told.lines[choice.line];

  // --- the traces ----------------------------------------------------------------------------------------------

  function chart(some) {
    $("compare-how").replaceChildren(...some.map((told) => {
      const none = lineOf(told) ? "" : `; has no zone ${choice.line.slice(5)}`;
      return S.el("li", "", `${number(told)}: ${moment(told).how}${none}.`);
    }));
    const graph = $("compare-graph");
    if (!window.Plotly) {
      S.plotly().then(() => { if (document.body.dataset.room === "compare") draw(); }, (failed) => say(failed.message));
      return;
    }
    const css = getComputedStyle(document.documentElement);
    const [ink, faint, rule] = ["--ink", "--faint", "--rule"].map((name) => css.getPropertyValue(name).trim());
    const lines = some.map((told) => ({ told, line: lineOf(told), from: moment(told).t })).filter((one) => one.line);
    const data = lines.map(({ told, line, from }) => ({
      type: "scatter", mode: "lines", name: told.firing.title, connectgaps: false, hoverinfo: "skip",
      x: line.t.map((t) => (t - from) / 60), y: line.c.map((c) => S.shown(c)),
      line: { color: colour(told), dash: dash(told), width: 2.6 },
    }));
    const tops = lines.flatMap(({ line }) => line.c.filter((c) => c !== null));
    const top = Math.ceil((Math.max(700, ...tops) + 30) / 50) * 50;
    const xs = data.flatMap((d) => d.x);
    const x = xs.length ? [Math.min(...xs), Math.max(...xs)] : [0, 60];
    const axis = { color: ink, gridcolor: faint, zeroline: false, linecolor: ink, showline: true, ticks: "outside",
      tickfont: { size: 16 }, fixedrange: true };
    const horizontal = (c, dashes, width) => ({ type: "line", xref: "paper", x0: 0, x1: 1, y0: S.shown(c), y1: S.shown(c),
      line: { color: rule, width, dash: dashes } });
    const targets = new Set(some.map((told) => told.firing.target_c));
    const words = (text, c) => ({ xref: "paper", x: 0.005, xanchor: "left", y: S.shown(c), yanchor: "bottom", text, showarrow: false, font: { size: 16, color: rule } });
    const annotations = [words(`quartz ${S.degrees(QUARTZ_C)}`, QUARTZ_C),
      ...(targets.size === 1 ? [words(`target ${S.degrees([...targets][0])}`, [...targets][0])] : []),
      { xref: "paper", yref: "paper", x: 0, xanchor: "right", xshift: -8, y: 1, yanchor: "bottom", yshift: 6, text: S.unit(), showarrow: false, font: { size: 16, color: ink } },
      ...ends(lines, data, top)];
    const layout = {
      autosize: false, width: graph.clientWidth, height: graph.clientHeight, showlegend: false, margin: MARGIN,
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: css.getPropertyValue("--face").trim(), size: 16, color: ink },
      xaxis: { ...axis, range: x, showgrid: false, nticks: graph.clientWidth < 500 ? 5 : 9, tickangle: 0, title: { text: choice.align === "lit" ? "minutes since lighting" : "minutes since that moment", font: { size: 16 }, standoff: 6 } },
      yaxis: { ...axis, range: [S.shown(0), S.shown(top)], nticks: 8 },
      shapes: [horizontal(QUARTZ_C, "2px,4px", 1.5), ...(targets.size === 1 ? [horizontal([...targets][0], "solid", 2)] : []),
        { type: "line", yref: "paper", y0: 0, y1: 1, x0: 0, x1: 0, line: { color: rule, width: 1.5 } }],
      annotations,
    };
    window.Plotly.react(graph, data, layout, CONFIG);
  }

  /** A number at each line's end, where it is, moved apart where they would cover one another. */
  function ends(lines, data, top) {
    const per = (S.shown(top) - S.shown(0)) / Math.max(60, $("compare-graph").clientHeight - MARGIN.t - MARGIN.b);
    const wanted = lines.map(({ told }, k) => {
      let n = data[k].y.length - 1;
      while (n > 0 && data[k].y[n] === null) n -= 1;
      return { told, x: data[k].x[n], y: data[k].y[n] };
    }).filter((w) => w.y !== null && w.y !== undefined).sort((a, b) => a.y - b.y);
    wanted.forEach((w, k) => { w.at = k ? Math.max(w.y, wanted[k - 1].at + 22 * per) : w.y; });
    return wanted.map((w) => ({ x: w.x, y: w.at, xanchor: "left", xshift: 6, showarrow: false, text: `<b>${number(w.told)}</b>`,
      font: { size: 18, color: colour(w.told) } }));
  }

  // --- what people compare ---------------------------------------------------------------------------------------

  S.factLabel = (fact) => fact.limits_c.reduce((text, c, n) => text.replace(`{${n}}`, `${S.degrees(c)} ${S.unit()}`), fact.label);

  const sized = (value, digits) => {
    const text = Math.abs(value).toFixed(digits);
    return (value < 0 && Number(text) !== 0 ? "−" : "") + text;
  };
  const scale = () => (S.isFahrenheit() ? 1.8 : 1);

  /** A fact's value in words; with `change`, as a difference to another. */
  S.factValue = function (fact, value, change) {
    if (value === null) return "–";
    const sign = change ? (value > 0 ? "+" : value === 0 ? "±" : "") : "";
    if (fact.unit === "°C") return `${sign}${sized(change ? value * scale() : S.shown(value), 0)} ${S.unit()}`;
    if (fact.unit === "Δ°C") return `${sign}${sized(value * scale(), 0)} ${S.unit()}`;
    if (fact.unit === "°C/min") return `${sign}${sized(value * scale(), 1)} ${S.unit()}/min`;
    if (fact.unit === "min") return `${sign}${sized(value, value !== 0 && Math.abs(value) < 9.95 ? 1 : 0)} min`;
    return `${sign}${sized(value, 0)}`;
  };

  function table(some) {
    const made = S.el("table");
    made.append(S.el("caption", "", some.length > 1 ? "What people compare; in small, the difference to the first" : "What people compare"));
    const head = S.el("tr");
    head.append(S.el("td"));
    for (const told of some) {
      const cell = S.el("th");
      cell.scope = "col";
      cell.append(key(number(told)), S.el("span", "", told.firing.title || "Firing"));
      head.append(cell);
    }
    const thead = S.el("thead");
    thead.append(head);
    made.append(thead);
    for (const zone of [null, ...zones()]) made.append(group(zone, some));
    const box = S.el("div", "scrolled");
    box.tabIndex = 0;
    box.setAttribute("role", "region");
    box.setAttribute("aria-label", "Table of what people compare");
    box.append(made);
    const wrap = S.el("div");
    wrap.append(box, S.el("p", "soft", "Counted from readings of probes at their places; zones are means of the probes that stand for them, "
      + "without those that could not be trusted. Rates are over one minute. What is from a model, from the judgement or written down by people says so. "
      + "A probe in the gap reads gas and glow, not the pots."));
    return wrap;
  }

  /** The whole load, and the zone that peaked lowest in the first: the others at a tap. */
  function isOpen(zone, some) {
    if (folded.has(zone)) return false;
    const coldest = some[0].facts.find((f) => f.key === "coldest_peak_c");
    return zone === null || opened.has(zone) || zones().length < 3 || (coldest !== undefined && coldest.words === zone);
  }

  function group(zone, some) {
    const body = S.el("tbody");
    const open = isOpen(zone, some);
    const title = S.el("th", "group");
    title.colSpan = some.length + 1;
    title.scope = "rowgroup";
    const turn = S.el("button", "", zone === null ? "The whole load" : `Zone ${zone}`);
    turn.type = "button";
    turn.dataset.group = zone === null ? "" : zone;
    turn.setAttribute("aria-expanded", String(open));
    turn.addEventListener("click", () => {
      (open ? opened : folded).delete(zone);
      (open ? folded : opened).add(zone);
      draw();
      [...document.querySelectorAll("#compare-facts .group button")].find((b) => b.dataset.group === turn.dataset.group).focus();
    });
    title.append(turn);
    const row = S.el("tr");
    row.append(title);
    body.append(row);
    if (!open) return body;
    const keys = [];
    for (const told of some) for (const f of told.facts) if (f.zone === zone && !keys.includes(f.key)) keys.push(f.key);
    for (const name of keys) {
      const facts = some.map((told) => told.facts.find((f) => f.zone === zone && f.key === name) || null);
      if (facts.every((f) => !f || f.value === null)) continue;
      body.append(factRow(facts));
    }
    return body;
  }

  function factRow(facts) {
    const some = facts.find((f) => f);
    const row = S.el("tr");
    row.dataset.fact = some.key;
    const label = S.el("th", "", S.factLabel(some));
    label.scope = "row";
    const bases = new Set(facts.filter(Boolean).map((f) => f.basis));
    for (const basis of bases) if (BASIS[basis]) label.append(S.el("small", basis, BASIS[basis]));
    row.append(label);
    const first = facts[0];
    facts.forEach((fact, n) => row.append(cell(fact, n ? first : null)));
    return row;
  }

  function cell(fact, first) {
    const made = S.el("td");
    if (!fact || fact.value === null) {
      made.textContent = "–";
      return made;
    }
    made.append(S.el("b", "", S.factValue(fact, fact.value)));
    const more = [];
    if (fact.low !== null && fact.high !== null) more.push(`${S.degrees(fact.low)} to ${S.degrees(fact.high)}, by the clay`);
    if (fact.limits_c.length && !fact.label.includes("{0}")) more.push(`of ${S.degrees(fact.limits_c[0])} ${S.unit()}`);
    if (fact.words && fact.key !== "lit_min") more.push(fact.words);
    if (first && first.value !== null) made.append(" ", S.el("small", "delta", S.factValue(fact, fact.value - first.value, true)));
    if (more.length) made.append(S.el("small", "", more.join("; ")));
    return made;
  }

  let sizing = null;
  window.addEventListener("resize", () => { // a tablet that is turned
    clearTimeout(sizing);
    sizing = setTimeout(() => { if (document.body.dataset.room === "compare") { draw(); } }, 200);
  });
})(window.Stokewatch);
