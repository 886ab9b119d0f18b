/* The room of stored firings: all of them at a glance, those to be compared, and files in. */
"use strict";

(function (S) {
  const STEPS = { width: 240, height: 84 };
  const TOP_C = 1000; // one scale for all, so that pictures can be compared
  const AT_ONCE = 24;
  const MOST_COMPARED = 6;
  const $ = (id) => document.getElementById(id);

  let firings = [];
  let parquet = false;
  const pictures = new Map(); // by ID
  const chosen = new Set(); // to be compared
  let wanted = new Set(); // pictures to ask for
  let asking = null;
  let sight = null; // which cards are in sight
  let find = "";

  /** An element with attributes and children; text is text. */
  S.make = function (tag, attributes, ...children) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
      else if (value === true) made.setAttribute(name, "");
      else if (value !== false && value !== null && value !== undefined) made.setAttribute(name, value);
    }
    made.append(...children.filter((child) => child !== null && child !== undefined));
    return made;
  };

  S.date = (s) => new Date(s * 1000).toLocaleString("en-GB",
    { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" });

  /* Another unit, or the light: what is drawn in a room is drawn anew. */
  document.addEventListener("click", (event) => {
    const room = S.rooms[document.body.dataset.room];
    if (room && room.redraw && event.target.closest && event.target.closest("[data-choice]")) room.redraw();
  });

  // --- the list -----------------------------------------------------------------------------------------------

  S.rooms.archive = {
    async show() {
      $("archive-bring").onclick = S.bringIn;
      try {
        const told = await S.getJson("/api/archive");
        firings = told.firings;
        parquet = told.parquet;
        S.bringIn.limit = told.max_bytes;
        S.bringIn.burning = firings.some((f) => f.running);
        const running = firings.filter((f) => f.running).map((f) => f.id);
        for (const id of running) pictures.delete(id); // it has grown
        for (const id of [...chosen]) if (!firings.some((f) => f.id === id)) chosen.delete(id);
        say(firings.length ? "" : "No firing yet. The first one is kept here when the rig has sent its first reading; or bring in a file.");
      } catch (refused) {
        say(refused.message);
      }
      list();
    },
    hide() {},
    redraw() { list(); }, // another unit, or the light
  };

  function say(text, more) {
    $("archive-said").replaceChildren(text, ...(more ? [" ", more] : []));
  }

  function list() {
    if (sight) sight.disconnect();
    sight = new IntersectionObserver(seen, { rootMargin: "300px" });
    const shown = firings.filter(matches);
    $("archive-list").replaceChildren(...(firings.length > 8 ? [finder(shown.length)] : []), ...shown.map(card));
    for (const item of $("archive-list").querySelectorAll(".firing")) sight.observe(item);
    choices();
  }

  const matches = (f) => !find || `${f.title} ${f.id} ${S.date(f.started_s)}`.toLowerCase().includes(find.toLowerCase());

  function finder(count) {
    const input = S.make("input", { type: "search", value: find, id: "archive-find", autocomplete: "off" });
    input.addEventListener("input", () => {
      find = input.value;
      list();
      const again = $("archive-find");
      again.focus();
      again.setSelectionRange(find.length, find.length);
    });
    return S.make("li", { class: "find" }, S.make("label", { for: "archive-find" }, "Find by title or date"), input,
      S.el("span", "", `${count} of ${firings.length}`));
  }

  function card(f) {
    const marks = [f.running ? S.el("b", "running", "running now") : null,
      f.invented ? S.el("i", "invented", "invented, not measured") : null, f.imported ? S.el("span", "", "from a file") : null];
    const item = S.make("li", { class: "firing", "data-id": f.id },
      S.make("a", { class: "open", href: `#replay/${f.id}`, "aria-label": `Replay ${f.title || "firing"}` },
        picture(f), S.make("h3", {}, f.title || "Firing")),
      S.make("p", { class: "when" }, f.time_known ? S.date(f.started_s) : "no date in its file", " · ", S.span(f.length_s)),
      S.make("p", { class: "coldest" }, coldest(f)),
      S.make("p", { class: "marks" }, ...marks.filter(Boolean)),
      S.make("div", { class: "does" }, compare(f),
        S.rooms.report ? S.make("a", { class: "go", href: `#report/${f.id}` }, "Report") : null, exports(f)));
    return item;
  }

  function compare(f) {
    if (!S.rooms.compare) return null;
    const box = S.make("input", { type: "checkbox" });
    box.checked = chosen.has(f.id);
    box.addEventListener("change", () => {
      if (box.checked && chosen.size >= MOST_COMPARED) {
        box.checked = false;
        say(`At most ${MOST_COMPARED} firings can be compared; take one out first.`);
      } else if (box.checked) chosen.add(f.id);
      else chosen.delete(f.id);
      choices();
    });
    return S.make("label", { class: "tick" }, box, "Compare");
  }

  function exports(f) {
    const kinds = [["csv", "CSV"], ...(parquet ? [["parquet", "Parquet"]] : []), ["line-protocol", "Line protocol"]];
    return S.make("details", { class: "exports" }, S.el("summary", "", "Save as"),
      S.make("div", {}, ...kinds.map(([kind, text]) =>
        S.make("a", { href: `/api/archive/${encodeURIComponent(f.id)}/export/${kind}`, download: true }, text))));
  }

  function choices() {
    const bar = $("archive-chosen");
    bar.hidden = chosen.size === 0;
    const ids = firings.filter((f) => chosen.has(f.id)).map((f) => f.id);
    bar.replaceChildren(S.el("b", "", `${chosen.size} chosen`),
      ids.length > 1 ? S.make("a", { class: "go", href: `#compare/${ids.join(",")}` }, "Compare them") : S.el("span", "", "choose at least one more"),
      S.make("button", { type: "button", onclick() { chosen.clear(); list(); } }, "None"));
  }

  // --- pictures -----------------------------------------------------------------------------------------------

  function seen(entries) {
    for (const entry of entries) {
      const id = entry.target.dataset.id;
      if (entry.isIntersecting && !pictures.has(id)) wanted.add(id);
    }
    if (wanted.size && asking === null) asking = setTimeout(ask, 60);
  }

  async function ask() {
    const some = [...wanted].slice(0, AT_ONCE);
    some.forEach((id) => wanted.delete(id));
    try {
      const told = await S.getJson(`/api/archive/pictures?ids=${some.map(encodeURIComponent).join(",")}`);
      for (const [id, made] of Object.entries(told)) {
        pictures.set(id, made);
        const item = [...document.querySelectorAll("#archive-list .firing")].find((li) => li.dataset.id === id);
        const f = firings.find((one) => one.id === id);
        if (!item || !f) continue;
        item.querySelector("svg").replaceWith(picture(f));
        item.querySelector(".coldest").textContent = coldest(f);
      }
    } catch (refused) {
      say(refused.message);
      wanted = new Set();
    }
    asking = wanted.size ? setTimeout(ask, 0) : null;
  }

  function coldest(f) {
    const made = pictures.get(f.id);
    if (!made) return " ";
    if (!made.coldest) return "no zone to judge by";
    return `coldest zone ${f.running ? "so far" : "peaked"} at ${S.degrees(made.coldest.peak_c)} ${S.unit()} (${made.coldest.zone})`;
  }

  /** From the coldest probe to the hottest, step by step, in the colour of their mean. */
  function picture(f) {
    const { width, height } = STEPS;
    const made = pictures.get(f.id);
    const root = S.svg("svg", { class: "glow", viewBox: `0 0 ${width} ${height}`, role: "img", preserveAspectRatio: "none",
      "aria-label": "coldest and hottest place over time" });
    if (!made) return root;
    const y = (c) => height - 4 - (Math.max(0, Math.min(c, TOP_C)) / TOP_C) * (height - 6);
    const n = Math.max(1, made.low.length);
    made.low.forEach((low, i) => {
      if (low === null) return;
      const top = y(made.high[i]);
      root.append(S.svg("rect", { x: ((i / n) * width).toFixed(1), y: top.toFixed(1), width: (width / n + 0.4).toFixed(2),
        height: Math.max(1.6, y(low) - top).toFixed(1), fill: S.heat(made.mean[i]) }));
    });
    root.append(S.svg("line", { x1: 0, x2: width, y1: y(made.target_c), y2: y(made.target_c), class: "aim" }),
      S.svg("line", { x1: 0, x2: width, y1: height - 2, y2: height - 2, class: "bed" }));
    return root;
  }
})(window.Stokewatch);
