/* The live link: passes what the server sends to Dash's components; when it falls silent, the tablet says so by itself. */
"use strict";

(() => {
  const LOST_S = 2.5; // nothing heard for this long: the link is lost
  const DEAD_S = 4; // after this long it is opened again: the network may have dropped unnoticed
  const AGAIN_MS = 700;
  const PLOTLY = "/assets/plotly-cartesian.min.js?v=4.1.1"; // an address that a tablet may keep
  const VERSION = document.querySelector('meta[name="stokewatch-version"]').content;
  const $ = (id) => document.getElementById(id);
  const mark = () => ({ monotonic: performance.now(), wall: Date.now() });
  const NO = () => window.dash_clientside.no_update;

  const S = {
    state: "opening", // what can be trusted: the server's word, or "link" by this tablet's own clock
    tone: [false, []],
    hooks: [], // called four times a second
    $,
    set: (id, props) => window.dash_clientside.set_props(id, props),
    plot: (id) => document.querySelector(`#${id} .js-plotly-plot`),
  };
  window.stokewatch = S;
  // Dash's graphs wait for this. Reading it takes a tablet a while: on the Fire page the numbers come first.
  let draw = NO;
  window.Plotly = new Promise((onload) => {
    draw = function load() {
      draw = NO;
      const onerror = () => setTimeout(load, AGAIN_MS);
      document.body.append(Object.assign(document.createElement("script"), { src: PLOTLY, onload, onerror }));
    };
  });
  addEventListener("load", () => setTimeout(() => draw(), document.body.dataset.page === "fire" ? 3000 : 0));
  let [socket, wish, asking, heard, seq] = [null, null, 0, mark(), null]; // seq: of the last screen; null until a whole one is here
  let newest = null; // {mark, age_s}: the latest reading
  const texts = new Map(); // by element: what the server last said
  let served = null; // the server's last word on the state

  // A sleeping tablet may stop one clock and not the other: the longer time is the safer.
  const since = (then) => Math.max(performance.now() - then.monotonic, Date.now() - then.wall, 0) / 1000;
  // biome-ignore lint/suspicious/noDocumentCookie: the cookie store is missing without https
  const keep = (name, value) => (document.cookie = `${name}=${encodeURIComponent(value)}; path=/; samesite=strict`);
  const there = (id) => Boolean(window.dash_stores?.[0]?.getState().paths?.strs?.[id]);

  // --- the link ---------------------------------------------------------------------------------------------

  function ask() {
    seq = null;
    if (wish && socket?.readyState === WebSocket.OPEN) socket.send(JSON.stringify(wish));
  }

  function open() {
    heard = mark();
    const made = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    socket = made;
    made.onmessage = (event) => {
      if (made !== socket) return;
      heard = mark();
      take(JSON.parse(event.data));
    };
    made.onclose = () => made === socket && lose();
  }

  function lose() {
    [socket, seq] = [null, null];
    if (served !== null) S.state = "link";
    tick();
    setTimeout(open, AGAIN_MS * (0.7 + 0.6 * Math.random()));
  }

  function take(message) {
    if (message.is === "hello" && message.version !== VERSION) location.reload();
    else if (message.is === "hello") ask();
    else if (message.is === "screen") {
      if (!message.whole && seq === null) return; // a whole one is on its way
      if (!message.whole && message.seq !== seq + 1) return ask();
      seq = message.seq;
      if (message.whole) texts.clear();
      show(message);
    } else if (seq !== null && message.seq !== seq) ask();
    tick();
  }

  function show(message) {
    if (message.title) document.title = message.title;
    served = message.state || served;
    S.tone = message.tone || S.tone;
    if (Number.isFinite(message.newest_age_s)) newest = { mark: mark(), age_s: message.newest_age_s };
    for (const [id, props] of Object.entries(message.props || {})) {
      if (!there(id)) continue;
      const { follow, extendData, figure, ...own } = props; // scripts draw the first two, which are not properties
      if (figure) S.keepZoom?.(id, figure);
      if (figure) setTimeout(() => [write(), S.set(id, { figure }), draw()], 30); // after the numbers: this takes a busy tablet seconds
      if (follow) S.follow?.(id, follow);
      if (extendData) S.grow?.(extendData);
      if (Object.keys(own).length) S.set(id, own);
    }
    for (const [id, text] of Object.entries(message.texts || {})) texts.set(id, text);
    write();
    S.fillTimes();
  }

  /* Numbers that change twice a second go straight into their elements, also into those that appear later. */
  function write() {
    for (const [id, text] of texts) {
      const element = $(id);
      if (!element) continue;
      const [words, kind] = Array.isArray(text) ? text : [text];
      if (element.textContent !== words) element.textContent = words;
      if (kind && element.className !== kind) element.className = kind;
    }
  }

  function tick() {
    const lost = since(heard) > LOST_S || !socket;
    if (lost && (served !== null || since(heard) > LOST_S)) S.state = "link";
    else if (served !== null && seq !== null) S.state = served;
    document.body.dataset.state = S.state;
    uncover();
    write();
    const box = $("lost");
    if (!box) return;
    box.hidden = S.state !== "link";
    if (S.state === "link") {
      const age = newest && newest.age_s + since(newest.mark);
      const old = age < 90 ? `${Math.round(age)} s old` : `${Math.round(age / 60)} min old`;
      const words = `${age === null ? "" : ` What you see is ${old}.`} Reconnecting by itself. Is the logger's computer on, and this tablet on its network? Watch the fire.`;
      if ($("lost-words").textContent !== words) $("lost-words").textContent = words;
    }
    if (document.querySelector("[data-in-s]:empty")) S.fillTimes(); // Dash may have made it anew
    for (const hook of S.hooks) hook();
  }

  /* The first picture gives way once the live numbers are there, its traces once plotly has drawn: no timer is as quick. */
  function uncover() {
    const [first, traces] = [$("first-look"), document.querySelector(".at-traces")];
    const drawn = document.querySelector("#traces .js-line") || performance.now() > 20000;
    if (S.state === "opening" || (S.state === "fresh" && !drawn && !$("values")?.firstChild)) return;
    write();
    if (drawn || S.state !== "fresh") traces?.remove();
    else if (first && traces) $("chart").append(traces);
    first?.remove();
    if (drawn) drawing.disconnect();
  }
  const drawing = new MutationObserver(uncover);
  if ($("first-look")) drawing.observe(document.body, { childList: true, subtree: true });

  S.fillTimes = () => {
    const [now, time] = [new Date(), (date) => date.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" })];
    for (const clock of document.querySelectorAll(".clock")) clock.textContent = time(now);
    for (const span of document.querySelectorAll("[data-in-s]")) {
      span.dataset.at ||= String(now.getTime() + Number(span.dataset.inS) * 1000);
      span.textContent = time(new Date(Number(span.dataset.at)));
    }
  };

  let watched = mark();
  function watch() {
    const late = since(watched) > 1.5; // it slept or was busy: messages that came meanwhile are handled first
    watched = mark();
    if (late) return write(); // until then, show what is already here
    if (!socket || since(heard) <= DEAD_S) return tick();
    socket.close();
    lose();
  }
  setInterval(watch, 250);
  setInterval(S.fillTimes, 5000);
  document.addEventListener("visibilitychange", () => !document.hidden && watch());
  open();

  // --- what Dash calls --------------------------------------------------------------------------------------

  S.want = (changes) => {
    const next = { page: "other", unit: "C", theme: "day", window_s: null, view: "traces", ...wish, low: innerHeight < 700 || innerWidth <= 560, ...changes };
    if (JSON.stringify(next) === JSON.stringify(wish)) return;
    wish = next;
    seq = null;
    clearTimeout(asking);
    asking = setTimeout(ask, 20); // a page that opens asks for several things at once: one wish for all
  };

  /** Call an endpoint, with a file or with values; returns its answer, or why there is none. */
  S.door = async (path, body) => {
    const file = body instanceof Blob;
    const headers = { "content-type": file ? "application/octet-stream" : "application/json" };
    try {
      const answer = await fetch(path, body && { method: "POST", headers, body: file ? body : JSON.stringify(body) });
      const said = await answer.json();
      if (answer.status === 401 && file) S.set("pin-dialog", { opened: true });
      return answer.ok ? [said, ""] : [null, said.error || said.detail || `Refused (${answer.status})`];
    } catch {
      return [null, "Stokewatch isn't answering. Is its computer on, and this tablet on its network?"];
    }
  };

  const glass = () => [innerWidth, innerHeight].map((px) => px - (px % 20)); // in steps: names in the pictures are placed by it
  addEventListener("resize", () => S.glass && glass()[0] !== S.glass[0] && S.set("glass-px", { data: window.dash_clientside.stokewatch.measure() }));
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.stokewatch = {
    choose_unit: (unit) => unit,
    measure: () => (S.glass = glass()),
    choose_theme: (_, theme) => (theme === "night" ? "day" : "night"),
    show_theme(theme) {
      document.documentElement.dataset.theme = theme;
      return [theme === "night" ? "dark" : "light", theme === "night" ? "Day" : "Night"];
    },
    /** Who is acting; a session ends by itself, or with a new PIN. */
    me: async () => (await S.door("/api/operator"))[0] || NO(),
    /** The page shown and how it should look; the Fire page announces itself once its parts are there. */
    wish(path, unit, theme) {
      for (const link of document.querySelectorAll("#doors a")) {
        const own = link.getAttribute("href");
        if (own === path || (own === "/firings" && /^\/(replay|report|compare)/.test(path))) link.setAttribute("aria-current", "page");
        else link.removeAttribute("aria-current");
      }
      document.body.dataset.page = path === "/" ? "fire" : path.split("/")[1];
      keep("look", unit + theme); // the next document has it from the start
      S.want({ unit, theme, page: path === "/" && there("fire-here") ? "fire" : "other" });
      return NO();
    },
    arrive() {
      S.want({ page: "fire" });
      if (seq !== null) ask(); // the same wish may have been sent before its parts were there
      return NO();
    },
    async enter(_, __, pin, who) {
      if (!pin) return [NO(), true, "Enter the PIN.", ""];
      const [me, wrong] = await S.door("/api/operator", { pin, who: who || "" });
      return me ? [me, false, "", ""] : [NO(), true, wrong, ""];
    },
    async operator_button(_, me) {
      return me?.operator ? [(await S.door("/api/operator/leave", {}))[0] || NO(), false] : [NO(), true];
    },
    show_operator(me) {
      document.body.dataset.view = String(Boolean(me) && !me.operator && !me.needed);
      return me?.needed ? [false, me.operator ? `Operator${me.who ? ` ${me.who}` : ""}: sign out` : "Watching: enter PIN"] : [true, NO()];
    },
  };

  // Reports give the time of day where the tablet is, not where the computer thinks it is.
  keep("zone", Intl.DateTimeFormat().resolvedOptions().timeZone || "");
})();
