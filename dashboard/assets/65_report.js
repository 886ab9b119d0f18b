/* One firing's report: how it went, what people write down about it, and the files to keep. */
"use strict";

(function (S) {
  const $ = (id) => document.getElementById(id);
  let id = "";
  let told = null;
  let round = 0;
  let dirty = new Set(); // fields that were changed and not yet written down

  S.rooms.report = {
    async show(args) {
      id = args.trim() || "last";
      told = null;
      dirty = new Set();
      $("report-body").hidden = true;
      $("report-doors").replaceChildren();
      $("report-name").textContent = "Report";
      await load();
    },
    hide() { round += 1; },
    redraw() { if (told) load(); }, // another unit, or the light
  };

  const say = (text) => { $("report-said").textContent = text; };
  const of = (what) => `/api/report/${encodeURIComponent(told.firing.id)}/${what}`;
  const zoneName = () => Intl.DateTimeFormat().resolvedOptions().timeZone || "";
  const clock = (s) => (s === null ? "–" : `${Math.floor(s / 3600)}:${String(Math.floor((s % 3600) / 60)).padStart(2, "0")}`);

  async function load() {
    const mine = (round += 1);
    if (!told) say("Working it out …");
    try {
      const came = await S.getJson(`/api/report/${encodeURIComponent(id)}?unit=${S.choices.unit}`);
      if (mine !== round) return;
      const first = told === null;
      told = came;
      say("");
      draw(first);
    } catch (refused) {
      if (mine === round) say(refused.message);
    }
  }

  function draw(first) {
    const f = told.firing;
    $("report-name").textContent = f.title || "Firing";
    doors();
    const body = $("report-body");
    const kept = first ? null : $("report-form"); // what is being typed stays
    const form = kept || fields();
    body.replaceChildren(about(), picture(), verdicts(), facts(), form);
    body.hidden = false;
  }

  // --- ways out of here: files, and other rooms -------------------------------------------------------------

  function link(text, href, attributes) {
    const made = S.el("a", "go", text);
    made.href = href;
    for (const [name, value] of Object.entries(attributes || {})) made.setAttribute(name, value);
    return made;
  }

  function doors() {
    const firing = encodeURIComponent(told.firing.id);
    const page = `${of("page")}?unit=${S.choices.unit}&zone=${encodeURIComponent(zoneName())}`;
    const file = (kind, text) => link(text, `/api/archive/${firing}/export/${kind}`, { download: "" });
    const open = link("Open the report, to print it", page, { target: "_blank", rel: "noopener", id: "report-open" });
    const files = S.el("div", "save-as");
    files.setAttribute("role", "group");
    files.setAttribute("aria-label", "Save as");
    const words = S.el("span", "", "Save as");
    words.setAttribute("aria-hidden", "true");
    files.append(words, link("HTML", `${page}&keep=1`, { download: "", id: "report-keep" }),
      file("csv", "CSV"), file("parquet", "Parquet"), file("line-protocol", "Line protocol"));
    $("report-doors").replaceChildren(open, files,
      ...(S.rooms.replay ? [link("Replay", `#replay/${firing}`)] : []), link("Compare", `#compare/${firing}`));
  }

  function about() {
    const f = told.firing;
    const lines = S.el("div", "about");
    const when = f.time_known ? `First reading ${new Date(f.started_s * 1000).toLocaleString("en-GB", { day: "numeric",
      month: "long", year: "numeric", hour: "2-digit", minute: "2-digit" })} (${zoneName() || "this tablet's time"})`
      : "Day and time of day not known";
    lines.append(S.el("p", "", `${when}; ${S.span(f.length_s)} recorded, ${f.readings.toLocaleString("en-GB")} readings${f.running ? "; still running" : ""}.`));
    if (f.invented) lines.append(S.el("p", "made-up", "Invented firing: nothing here was measured."));
    return lines;
  }

  function picture() {
    const box = S.el("figure", "report-picture");
    const image = S.el("img");
    const width = Math.max(300, Math.min(1400, Math.floor($("room-report").clientWidth)));
    image.src = `${of("traces.svg")}?unit=${S.choices.unit}&width=${width}`;
    image.alt = "Traces of temperature over time, one for each probe; the tables say what they show";
    image.width = width; // drawn at the size it is shown in: its letters are no smaller than the page's
    image.height = Math.min(560, Math.max(340, Math.floor(width / 2)));
    box.append(image);
    return box;
  }

  function tableOf(heads, rows, name) {
    const table = S.el("table");
    const head = S.el("tr");
    for (const text of heads) {
      const cell = S.el("th", "", text);
      cell.scope = "col";
      head.append(cell);
    }
    const thead = S.el("thead");
    thead.append(head);
    const body = S.el("tbody");
    for (const cells of rows) {
      const row = S.el("tr");
      cells.forEach((text, n) => {
        const cell = S.el(n ? "td" : "th", "", text);
        if (!n) cell.scope = "row";
        row.append(cell);
      });
      body.append(row);
    }
    table.append(thead, body);
    const box = S.el("div", "scrolled");
    box.tabIndex = 0;
    box.setAttribute("role", "region");
    box.setAttribute("aria-label", name);
    box.append(table);
    return box;
  }

  function section(title, ...children) {
    const made = S.el("section", "part");
    made.append(S.el("h3", "", title), ...children);
    return made;
  }

  function verdicts() {
    const cold = told.verdicts.slice().sort((a, b) => (a.peak_c ?? 1e9) - (b.peak_c ?? 1e9));
    const rows = cold.map((z) => [z.zone, z.peak_c === null ? "–" : `${S.degrees(z.peak_c)} ${S.unit()}`, clock(z.peak_s), z.verdict]);
    return section("Verdict, zone by zone", tableOf(["Zone", "Peak", "At", "Verdict"], rows, "Verdict, zone by zone"));
  }

  function facts() {
    const list = S.el("dl");
    for (const fact of told.facts) {
      if (fact.zone !== null || fact.value === null) continue;
      const pair = S.el("div");
      const more = [fact.at_s === null || fact.key === "lit_min" ? "" : `at ${clock(fact.at_s)}`, fact.key === "lit_min" ? "" : fact.words].filter(Boolean);
      const said = [S.factValue(fact, fact.value), ...more].join(", ").replace(", of ", " of ");
      pair.append(S.el("dt", "", S.factLabel(fact)), S.el("dd", "", said));
      list.append(pair);
    }
    return section("What people compare", list);
  }

  // --- what people write down ----------------------------------------------------------------------------------

  function fields() {
    const form = S.el("form");
    form.id = "report-form";
    form.noValidate = true;
    const of = (after) => told.fields.filter((f) => f.after === after).map(field);
    const before = section("What was fired", ...of(false));
    const came = section("What came of it", ...of(true));
    const foot = S.el("div", "foot");
    const save = S.el("button", "save", "Write down");
    save.type = "submit";
    const said = S.el("span", "said");
    said.id = "report-written";
    said.setAttribute("role", "status");
    foot.append(save, said);
    form.append(before, came, foot);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      write(form);
    });
    return form;
  }

  function field(f) {
    const box = S.el("div", "field");
    const label = S.el("label", "", f.label);
    const input = S.el(f.name === "title" ? "input" : "textarea");
    input.id = `report-${f.name}`;
    input.name = f.name;
    input.value = told.texts[f.name] || "";
    input.maxLength = 1000;
    if (f.name !== "title") input.rows = f.after || f.name === "photos" ? 2 : 1;
    label.htmlFor = input.id;
    const hint = S.el("span", "hint", f.hint);
    hint.id = `report-${f.name}-hint`;
    const wrong = S.el("span", "wrong");
    wrong.id = `report-${f.name}-wrong`;
    input.setAttribute("aria-describedby", `${hint.id} ${wrong.id}`);
    input.addEventListener("input", () => {
      dirty.add(f.name);
      $("report-written").textContent = "Not yet written down.";
      fit(input);
    });
    setTimeout(() => fit(input), 0);
    box.append(label, hint, input, wrong);
    return box;
  }

  /** As high as what is in it. */
  function fit(input) {
    if (input.tagName !== "TEXTAREA" || !input.scrollHeight) return;
    input.style.height = "auto";
    input.style.height = `${input.scrollHeight + 4}px`;
  }

  async function write(form) {
    const said = $("report-written");
    for (const wrong of form.querySelectorAll(".wrong")) wrong.textContent = "";
    for (const input of form.querySelectorAll("[aria-invalid]")) input.removeAttribute("aria-invalid");
    if (!dirty.size) {
      said.textContent = "Nothing was changed.";
      return;
    }
    const sent = [...dirty];
    const texts = Object.fromEntries(sent.map((name) => [name, form.elements[name].value]));
    said.textContent = "Writing …";
    try {
      const answer = await S.postJson(of("describe"), { texts });
      told.texts = answer.texts;
      for (const name of sent) if (form.elements[name].value === texts[name]) dirty.delete(name);
      $("report-name").textContent = answer.texts.title;
      said.textContent = dirty.size ? "Written down; more was changed meanwhile." : "Written down.";
    } catch (refused) {
      const input = refused.field ? form.elements[refused.field] : null;
      if (input) {
        $(`report-${refused.field}-wrong`).textContent = refused.message;
        input.setAttribute("aria-invalid", "true");
        input.focus();
        said.textContent = "Not written down.";
      } else said.textContent = `Not written down: ${refused.message}`;
    }
  }

  let sizing = null;
  window.addEventListener("resize", () => { // a tablet that is turned
    clearTimeout(sizing);
    sizing = setTimeout(() => { if (document.body.dataset.room === "report") { if (told) draw(false); } }, 200);
  });
})(window.Stokewatch);
