/* Which room is shown, by the address's hash; and how a room asks the server. */
"use strict";

(function (S) {
  S.rooms = { fire: { show() { S.layoutStack(); S.redrawTraces(); }, hide() {} } };
  const OF_A_FIRING = new Set(["replay", "compare", "report"]); // rooms behind the door "Firings"
  let here = null;

  /** Go to a room: "archive", "replay/ID". */
  S.go = (where) => { location.hash = `#${where}`; };

  function enter() {
    const [wanted, ...rest] = decodeURIComponent(location.hash.slice(1)).split("/");
    const name = Object.hasOwn(S.rooms, wanted) ? wanted : "fire";
    if (here !== null && here !== name) S.rooms[here].hide();
    here = name;
    document.body.dataset.room = name;
    for (const room of document.querySelectorAll(".room")) room.hidden = room.id !== `room-${name}`;
    for (const door of document.querySelectorAll("#doors a")) {
      if (door.dataset.room === name) door.setAttribute("aria-current", "page");
      else if (door.dataset.room === "archive" && OF_A_FIRING.has(name)) door.setAttribute("aria-current", "true");
      else door.removeAttribute("aria-current");
    }
    window.scrollTo(0, 0);
    S.rooms[name].show(rest.join("/"));
  }

  S.startRooms = function () {
    window.addEventListener("hashchange", enter);
    enter();
  };

  /** Ask; where only an operator may, let the person enter the PIN and ask once more. */
  async function asked(path, options) {
    try {
      return await askedOnce(path, options);
    } catch (refused) {
      if (refused.status !== 401 || !await S.enterPin()) throw refused;
      return askedOnce(path, options);
    }
  }

  async function askedOnce(path, options) {
    let response;
    try {
      response = await fetch(path, options);
    } catch {
      throw new Error("Stokewatch doesn't answer. Is its computer on, and this tablet in its network?");
    }
    const type = response.headers.get("content-type") || "";
    const answer = type.includes("json") ? await response.json() : { error: (await response.text()).slice(0, 300) };
    if (response.ok) return answer;
    const refused = new Error(answer.error || answer.detail || `Refused (${response.status})`);
    refused.field = answer.field || null;
    refused.status = response.status;
    throw refused;
  }

  S.getJson = (path) => asked(path, { headers: { accept: "application/json" } });
  S.postJson = (path, body) => asked(path, {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  });
  S.postFile = (path, file) => asked(path, {
    method: "POST", headers: { "content-type": "application/octet-stream" }, body: file,
  });
  /** What a person does to the running firing; gives the logger's answer. */
  S.act = (kind, data) => S.postJson("/api/act", { kind, data: data || {} });
})(window.Stokewatch);
