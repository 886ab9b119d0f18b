/* The link to the server: a snapshot first, then numbered updates; a number missed means a new snapshot. */
"use strict";

(function (S) {
  const AGAIN_MS = 700;
  const DEAD_S = 4; // a link that says nothing for so long is closed and tried anew: the network may have gone unheard
  let socket = null;
  let seq = null; // of the last message that counts; null until the snapshot is here
  let asked = false;
  let held = []; // what came before the page was there to show it; null from then on
  let opened = S.mark();
  let timer = null;

  S.askSnapshot = function () {
    if (!socket || socket.readyState !== WebSocket.OPEN) return;
    seq = null;
    asked = true;
    socket.send(JSON.stringify({ want: "snapshot", window_s: S.windowS() }));
  };

  function take(message) {
    if (message.type === "snapshot") {
      // One that was asked for before the window was changed is of no use; the next is on its way.
      if (message.firing && message.window_s !== S.windowS()) return;
      asked = false;
      seq = message.seq;
      S.takeSnapshot(message);
    } else if (seq === null) {
      if (!asked) S.askSnapshot();
    } else if (message.type === "update" && message.seq === seq + 1) {
      seq = message.seq;
      if (!S.takeUpdate(message)) S.askSnapshot();
    } else if (message.type === "pulse" && message.seq === seq) {
      S.tick();
    } else {
      S.askSnapshot();
    }
  }

  function open() {
    clearTimeout(timer);
    opened = S.mark();
    const made = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/feed`);
    socket = made;
    made.onopen = () => { if (made === socket) S.askSnapshot(); };
    made.onmessage = (event) => {
      if (made !== socket) return;
      opened = S.mark();
      S.link = "open";
      const message = JSON.parse(event.data);
      S.hear(message);
      if (held) held.push(message);
      else take(message);
    };
    made.onclose = () => { if (made === socket) lost(); };
  }

  function lost() {
    S.link = "lost";
    seq = null;
    asked = false;
    if (held) held = [];
    else S.tick();
    clearTimeout(timer);
    timer = setTimeout(open, AGAIN_MS);
  }

  function watch() {
    if (socket && socket.readyState < WebSocket.CLOSING && S.since(opened) > DEAD_S) {
      const dead = socket;
      socket = null;
      dead.close();
      lost();
    }
  }

  /* Dash draws its layout when its own scripts are ready; by then the readings are on their way or here. */
  open();
  new MutationObserver((_, watching) => {
    if (!document.getElementById("health")) return;
    watching.disconnect();
    S.startPage();
    S.startActs();
    S.startSound();
    S.startOperator();
    S.startRooms();
    const before = held;
    held = null;
    before.forEach(take);
    setInterval(watch, 500);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) { S.tick(); watch(); } });
  }).observe(document.getElementById("react-entry-point"), { childList: true });
})(window.Stokewatch);
