/* Files from other people's loggers: what was understood of them, what has to be said, and in with them. */
"use strict";

(function (S) {
  const $ = (id) => document.getElementById(id);
  const LATER_MS = 500;
  // As dashboard.pages.archive.FIELDS calls them.
  const SELECTS = {
    day_first: ["Order of dates", [["true", "Day first: 3/4 is the 3rd of April"], ["false", "Month first: 3/4 is the 4th of March"]]],
    decimal: ["Decimal sign", [[".", "Point: 20.5"], [",", "Comma: 20,5"]]],
    unit: ["Unit of temperature", [["c", "°C"], ["f", "°F"], ["k", "K"]]],
    time_unit: ["Unit of the time", [["s", "seconds"], ["min", "minutes"], ["h", "hours"], ["ms", "milliseconds"],
      ["hh:mm", "hours : minutes"], ["mm:ss", "minutes : seconds"], ["days", "a spreadsheet's days"],
      ["unix", "seconds since 1970"], ["unix_ms", "milliseconds since 1970"]]],
    delimiter: ["Between columns", [[",", "comma"], [";", "semicolon"], ["\t", "tabulator"], ["|", "bar"]]],
    order: ["Rows that go back in time", [["sort", "put in order"]], "refuse them"],
    repeats: ["Rows of the same time", [["spread", "spread evenly"], ["last", "keep the last"]], "refuse them"],
    encoding: ["Encoding", [["utf-8", "UTF-8"], ["latin-1", "Latin-1"], ["cp1252", "Windows 1252"], ["utf-16", "UTF-16"]]],
  };
  const NUMBERS = { skip: "Lines above the header", last_line: "Last line to read" };
  const TEXTS = { timezone: ["Time zone", "such as Europe/Vienna"],
    no_reading: ["Words for no reading", "several with ; between"] };
  const ORDER = ["day_first", "decimal", "unit", "time", "time_unit", "timezone", "delimiter", "skip", "last_line",
    "leave_out", "no_reading", "order", "repeats", "encoding"];

  let batch = "";
  let sent = []; // names, as the server calls them
  let reading = {};
  let found = null;
  let asked = 0; // of the newest preview; older answers are of no use
  let later = null;
  let plans = []; // by which columns may be known

  S.bringIn = function () {
    const panel = $("archive-import");
    if (!panel.hidden) return leave();
    panel.hidden = false;
    const input = S.make("input", { type: "file", multiple: true, id: "bring-files", accept: ".csv,.txt,.tsv,.dat,.log,text/*" });
    input.addEventListener("change", () => send([...input.files]));
    panel.replaceChildren(...[
      S.el("h3", "", "Bring in files"),
      S.el("p", "", "A table of times and temperatures as CSV or text, from any logger. Choose several at once where it wrote one file a channel."),
      S.bringIn.burning ? S.el("p", "burning", "A firing is running. While a file is brought in its readings wait in memory: a small file takes less than a second; leave large ones until the fire is out.") : null,
      S.make("label", { class: "pick", for: "bring-files" }, "Choose files", input),
      S.make("p", { id: "bring-said", role: "alert" }), S.make("div", { id: "bring-form" })].filter(Boolean));
    $("archive-bring").textContent = "Close";
    input.focus();
    return undefined;
  };

  function leave() {
    if (batch) S.postJson("/api/archive/leave", { batch, files: sent }).catch(() => { /* it goes by itself later */ });
    close();
  }

  function close() {
    clearTimeout(later);
    batch = "";
    sent = [];
    reading = {};
    found = null;
    asked += 1;
    $("archive-import").hidden = true;
    $("archive-import").replaceChildren();
    $("archive-bring").textContent = "Bring in files …";
  }

  const said = (text) => { $("bring-said").textContent = text; };

  async function send(files) {
    if (!files.length) return;
    const size = files.reduce((sum, file) => sum + file.size, 0);
    if (size > S.bringIn.limit) {
      said(`These files are larger than ${Math.floor(S.bringIn.limit / 2 ** 20)} MB together; bring them in on the logger's computer with “stokewatch import”.`);
      return;
    }
    if (batch) S.postJson("/api/archive/leave", { batch, files: sent }).catch(() => { /* it goes by itself later */ });
    batch = "";
    sent = [];
    reading = {};
    $("bring-form").replaceChildren();
    const turn = (asked += 1);
    try {
      plans = await S.getJson("/api/archive/plans");
      for (const file of files) {
        said(`Sending ${file.name} …`);
        const got = await S.postFile(`/api/archive/upload?name=${encodeURIComponent(file.name)}&batch=${batch}`, file);
        if (turn !== asked) return;
        batch = got.batch;
        sent.push(got.file);
      }
      form();
      await look();
    } catch (refused) {
      if (turn === asked) said(refused.message);
    }
  }

  const plain = () => Object.fromEntries(Object.entries(reading).filter(([, v]) => v !== "" && v !== null && !(Array.isArray(v) && !v.length)));

  async function look() {
    const turn = (asked += 1);
    said("Reading …");
    try {
      const told = await S.postJson("/api/archive/preview", { batch, files: sent, reading: plain() });
      if (turn !== asked) return;
      found = told;
      show();
    } catch (refused) {
      if (turn !== asked) return;
      said(refused.message);
      mark(refused.field ? [refused.field.replace("reading.", "")] : []);
      $("bring-in").disabled = true;
    }
  }

  function change(name, value) {
    reading[name] = value;
    clearTimeout(later);
    later = setTimeout(look, LATER_MS);
  }

  // --- the form -----------------------------------------------------------------------------------------------

  function form() {
    const title = S.make("input", { id: "bring-title", maxlength: 200, placeholder: sent[0].replace(/\.[^.]*$/, "") });
    const invented = S.make("input", { type: "checkbox", id: "bring-invented" });
    $("bring-form").replaceChildren(
      S.make("div", { id: "bring-understood" }),
      S.make("details", { id: "bring-choices" }, S.el("summary", "", "How to read it"), S.make("div", { class: "fields", id: "bring-fields" })),
      S.make("div", { class: "fields" },
        S.make("label", { class: "field" }, "Title", title),
        S.make("label", { class: "field", id: "bring-begun-field", hidden: true }, "Begun, where you know it",
          S.make("input", { type: "datetime-local", id: "bring-begun", step: 1 })),
        S.make("div", { class: "field", id: "bring-plan-field", hidden: true }),
        S.make("label", { class: "tick" }, invented, "It is invented: nothing in it was measured")),
      S.make("div", { class: "last" },
        S.make("button", { id: "bring-in", type: "button", class: "main", disabled: true, onclick: bring }, "Bring it in"),
        S.make("button", { type: "button", onclick: leave }, "Leave it")));
    fields();
  }

  function fields() {
    const kept = document.activeElement && document.activeElement.closest("#bring-fields [data-field]");
    $("bring-fields").replaceChildren(...ORDER.map(field).filter(Boolean));
    if (kept) {
      const again = $("bring-fields").querySelector(`[data-field="${kept.dataset.field}"] :is(select, input)`);
      if (again) again.focus();
    }
  }

  function field(name) {
    if (SELECTS[name]) return labelled(name, SELECTS[name][0], select(name));
    if (NUMBERS[name]) return labelled(name, NUMBERS[name], typed(name, { type: "number", min: name === "skip" ? 0 : 1 }));
    if (TEXTS[name]) return labelled(name, TEXTS[name][0], typed(name, { placeholder: TEXTS[name][1] }));
    const headers = found ? [...new Set(found.files.flatMap((f) => f.headers))] : [];
    if (!headers.length) return null;
    if (name === "time") return labelled(name, "Column of the time", columnOf(headers, 0), columnOf(headers, 1));
    const taken = new Set(found.files.flatMap((f) => f.time));
    const boxes = headers.filter((h) => !taken.has(h)).map((header) => {
      const box = S.make("input", { type: "checkbox" });
      box.checked = (reading.leave_out || []).includes(header);
      box.addEventListener("change", () => change("leave_out",
        box.checked ? [...(reading.leave_out || []), header] : reading.leave_out.filter((h) => h !== header)));
      return S.make("label", { class: "tick" }, box, header);
    });
    return S.make("fieldset", { class: "field", "data-field": name }, S.el("legend", "", "Columns to leave out"), ...boxes);
  }

  const labelled = (name, text, ...inputs) =>
    S.make("label", { class: "field", "data-field": name }, S.el("span", "", text), ...inputs);

  function options(made, pairs, empty, value) {
    made.append(S.make("option", { value: "" }, empty), ...pairs.map(([v, text]) => S.make("option", { value: v }, text)));
    made.value = value ?? "";
    return made;
  }

  function select(name) {
    const value = reading[name];
    const made = options(S.make("select"), SELECTS[name][1], SELECTS[name][2] || "as understood",
      value === undefined || value === null ? "" : String(value));
    made.addEventListener("change", () => {
      if (name === "day_first") change(name, made.value === "" ? null : made.value === "true");
      else change(name, made.value);
    });
    return made;
  }

  function columnOf(headers, which) {
    const made = options(S.make("select", { "aria-label": which ? "Column of the time of day" : "Column of the time" }),
      headers.map((h) => [h, h]), which ? "no other column" : "as understood", (reading.time || [])[which]);
    made.addEventListener("change", () => {
      const time = [...(reading.time || [])];
      time[which] = made.value;
      change("time", time.filter(Boolean));
    });
    return made;
  }

  function typed(name, attributes) {
    const value = reading[name];
    const made = S.make("input", { ...attributes, value: Array.isArray(value) ? value.join("; ") : value ?? "" });
    made.addEventListener("input", () => {
      const text = made.value.trim();
      if (name === "no_reading") change(name, text.split(";").map((w) => w.trim()).filter(Boolean));
      else change(name, text === "" ? null : NUMBERS[name] ? Number(text) : text);
    });
    return made;
  }

  /** Open the choices that were asked for, and stand at the first. */
  function mark(names) {
    for (const part of $("bring-fields").children) part.classList.toggle("asked", names.includes(part.dataset.field));
    if (!names.length) return;
    $("bring-choices").open = true;
    const first = $("bring-fields").querySelector(".asked :is(select, input)");
    const busy = document.activeElement && document.activeElement.closest("#bring-fields");
    if (first && !busy) first.focus({ preventScroll: true });
  }

  // --- what was understood ------------------------------------------------------------------------------------

  function show() {
    const { files, whole } = found;
    said(whole.error ? `It can't be brought in like that. ${whole.error}` : "");
    fields();
    $("bring-form").classList.toggle("refused", Boolean(whole.error));
    mark(whole.fields);
    $("bring-in").disabled = Boolean(whole.error);
    $("bring-begun-field").hidden = Boolean(whole.error) || whole.started !== null;
    planField(whole.names);
    $("bring-understood").replaceChildren(...(whole.error ? [] : [summary(whole), columns(whole, files)]), ...files.map(first));
  }

  /* A file knows no heights: a plan whose probes go by the columns' names does. */
  function planField(names) {
    const own = new Set(names.map((n) => n.toLowerCase()));
    const fits = plans.map((p) => ({ ...p, n: p.names.filter((n) => own.has(n.toLowerCase())).length }))
      .filter((p) => p.n).sort((a, b) => b.n - a.n);
    const holder = $("bring-plan-field");
    const before = holder.querySelector("select") ? holder.querySelector("select").value : "";
    holder.hidden = !fits.length;
    if (!fits.length) return holder.replaceChildren();
    const made = options(S.make("select", { id: "bring-plan" }),
      fits.map((p) => [p.ref, `${p.title}: ${p.n} of ${names.length} columns`]), "no plan: no heights, no target of its own", before);
    if (made.selectedIndex < 0) made.value = "";
    return holder.replaceChildren(S.make("label", { for: "bring-plan" }, "Probes, targets and alarms as in"), made);
  }

  function summary(whole) {
    const every = whole.step_s >= 1 ? `${Math.round(whole.step_s * 10) / 10} s` : `${Math.round(whole.step_s * 1000)} ms`;
    const gaps = whole.gaps.slice(0, 3).map(([from, length]) => `${S.span(length)} from minute ${Math.round(from / 60)}`);
    const facts = [["Begun", whole.started ? S.date(Date.parse(whole.started) / 1000) : "the files have no date"],
      ["Lasts", S.span(whole.duration_s)], ["Rows", `${whole.rows.toLocaleString("en-GB")}, one every ${every}`],
      ["Gaps", whole.gap_count ? `${whole.gap_count}: ${gaps.join(", ")}${whole.gap_count > 3 ? " …" : ""}` : "none"]];
    const list = S.make("dl", {}, ...facts.flatMap(([name, text]) => [S.el("dt", "", name), S.el("dd", "", text)]));
    const guesses = whole.guesses.length ? S.make("div", { class: "guesses" }, S.el("b", "", "Guessed; look whether it is so:"),
      S.make("ul", {}, ...whole.guesses.map((g) => S.el("li", "", g)))) : null;
    return S.make("div", {}, list, guesses);
  }

  function columns(whole, files) {
    const units = new Map(files.flatMap((f) => f.columns));
    const rows = whole.names.map((name, j) => [name, `°${(units.get(name) || "c").toUpperCase()}`.replace("°K", "K"),
      whole.lowest_c[j] === null ? "no reading" : `${S.degrees(whole.lowest_c[j])} to ${S.degrees(whole.highest_c[j])} ${S.unit()}`,
      whole.readings[j].toLocaleString("en-GB")]);
    return table("Probes", ["Probe", "In the file", "From, to", "Readings"], rows);
  }

  function first(f) {
    if (!f.head.length) return S.make("figure", {}, S.el("figcaption", "", f.name), S.make("pre", { tabindex: 0 }, f.lines.join("\n")));
    const part = table(`First rows of ${f.name}`, ["Row", ...f.headers], f.head.map(([row, cells]) => [row, ...cells]));
    f.headers.forEach((header, i) => {
      const role = f.time.includes(header) ? "time" : f.columns.some(([name]) => header.startsWith(name)) ? "probe" : "left";
      for (const cell of part.querySelectorAll(`:is(th, td):nth-child(${i + 2})`)) cell.classList.add(role);
    });
    return part;
  }

  function table(caption, head, rows) {
    return S.make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": caption }, S.make("table", {}, S.el("caption", "", caption),
      S.make("thead", {}, S.make("tr", {}, ...head.map((text) => S.el("th", "", text)))),
      S.make("tbody", {}, ...rows.map((row) => S.make("tr", {}, ...row.map((text) => S.el("td", "", String(text))))))));
  }

  // --- in with it ---------------------------------------------------------------------------------------------

  async function bring() {
    clearTimeout(later);
    asked += 1;
    $("bring-in").disabled = true;
    said("Bringing it in …");
    const begun = $("bring-begun").value;
    try {
      const made = await S.postJson("/api/archive/import", { batch, files: sent, reading: plain(), title: $("bring-title").value || $("bring-title").placeholder,
        plan: $("bring-plan") ? $("bring-plan").value : "",
        started_s: begun && !$("bring-begun-field").hidden ? new Date(begun).getTime() / 1000 : null, invented: $("bring-invented").checked });
      batch = ""; // taken
      close();
      await S.rooms.archive.show();
      $("archive-said").replaceChildren(`Brought in: ${made.title}. `, S.make("a", { href: `#replay/${made.firing}` }, "Replay it"));
    } catch (refused) {
      said(refused.message);
      mark(refused.field ? [refused.field.replace("reading.", "")] : []);
      $("bring-in").disabled = false;
    }
  }
})(window.Stokewatch);
