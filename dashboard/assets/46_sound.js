/* Sound and vibration, armed by a tap (browsers allow neither without one), and a screen that stays on. */
"use strict";

(function (S) {
  const EVERY_S = 4; // an alarm sounds again until somebody has seen it
  const SILENT_STATES = ["link", "logger", "rig", "trouble"];
  const $ = (id) => document.getElementById(id);

  let context = null;
  let on = false;
  let soundedAt = -1e9;
  let hushed = null; // the state of the page that somebody has heard enough of
  const chimed = new Set();

  const isOn = () => on && context !== null && context.state === "running";

  /** Tones: [Hz, start, length] in seconds. Low enough for old ears, rough enough to be heard beside a fire. */
  function play(tones, type) {
    if (!context || context.state !== "running") return;
    const begin = context.currentTime + 0.02;
    for (const [hz, start, length] of tones) {
      const tone = context.createOscillator();
      const loud = context.createGain();
      tone.type = type;
      tone.frequency.value = hz;
      loud.gain.setValueAtTime(0, begin + start);
      loud.gain.linearRampToValueAtTime(0.6, begin + start + 0.02);
      loud.gain.setValueAtTime(0.6, begin + start + length - 0.04);
      loud.gain.linearRampToValueAtTime(0, begin + start + length);
      tone.connect(loud).connect(context.destination);
      tone.start(begin + start);
      tone.stop(begin + start + length);
    }
    S.sound.played += 1; // for tests
  }

  const alarm = () => {
    play([[880, 0, 0.25], [660, 0.3, 0.25], [880, 0.6, 0.25], [660, 0.9, 0.35]], "square");
    if (navigator.vibrate) navigator.vibrate([300, 150, 300, 150, 500]);
  };
  const chime = () => {
    play([[523, 0, 0.3], [784, 0.3, 0.5]], "sine");
    if (navigator.vibrate) navigator.vibrate(200);
  };

  /** Turn it on and let it be heard; to be called from a tap. */
  async function test() {
    context ||= new (window.AudioContext || window.webkitAudioContext)();
    await context.resume();
    on = true;
    alarm();
    soundedAt = performance.now() / 1000;
    show();
  }
  S.sound = { test, isOn, played: 0 };

  const unseen = (a) => a.warning !== false && ["unacknowledged", "returned-unacknowledged"].includes(a.state);

  function watch() {
    const state = S.state();
    if (!SILENT_STATES.includes(state)) hushed = null;
    const lost = SILENT_STATES.includes(state) && hushed !== state;
    show();
    if (!isOn()) return;
    for (const a of S.standing().filter((each) => each.warning === false)) {
      const key = `${a.key} ${a.raised_s}`;
      if (!chimed.has(key)) chime();
      chimed.add(key);
    }
    const now = performance.now() / 1000;
    if ((lost || (state === "fresh" && S.standing().some(unseen))) && now - soundedAt >= EVERY_S) {
      soundedAt = now;
      alarm();
    }
  }

  /** Enough of it: the page goes on saying so, without a sound. */
  S.sound.hush = () => { hushed = S.state(); };

  function show() {
    const button = $("sound");
    const works = isOn();
    const words = works ? "Sound on" : on ? "Tap for sound" : "Sound off";
    if (button.textContent === words) return;
    button.textContent = words;
    button.setAttribute("aria-pressed", String(works));
    button.title = works ? "Alarms sound until they are acknowledged" : "Tap to hear the alarm and have it armed";
  }

  // --- the screen ---------------------------------------------------------------------------------------------------

  let lock = null;
  async function keepAwake() {
    if (document.hidden || lock) return;
    if (!navigator.wakeLock) {
      sayAwake(window.isSecureContext ? "This browser lets the screen go dark" : "Without https the browser lets the screen go dark",
        ": set the tablet's own screen time-out to its longest.");
      return;
    }
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
      sayAwake("The screen stays on.", "");
    } catch {
      sayAwake("The tablet refuses to keep its screen on (low battery?)", ": plug it in, away from the heat.");
    }
  }

  const sayAwake = (what, mend) => { $("awake").textContent = what + mend; };

  S.startSound = function () {
    $("sound").addEventListener("click", () => {
      if (isOn()) {
        on = false;
        context.suspend();
        if (navigator.vibrate) navigator.vibrate(0);
        show();
      } else {
        test();
      }
    });
    setInterval(watch, 500);
    document.addEventListener("visibilitychange", () => { keepAwake(); if (on && context) context.resume(); });
    document.addEventListener("pointerdown", () => keepAwake(), { once: true });
    keepAwake();
  };
})(window.Stokewatch);
