/* Sound and vibration, armed by a tap (browsers allow neither without one), and a screen that stays on. */
"use strict";

(() => {
  const EVERY_S = 4; // an alarm sounds again until somebody has acknowledged it
  const SILENT_STATES = ["link", "logger", "rig", "trouble"];
  const S = window.stokewatch;
  const $ = (id) => document.getElementById(id);
  const sound = (S.sound = { played: 0 });
  const chimed = new Set();
  let context = null;
  let on = false;
  let soundedAt = -1e9;
  let hushed = null; // the silence that somebody has heard enough of
  let lock = null;

  const isOn = () => on && context !== null && context.state === "running";
  sound.isOn = isOn;

  /** Tones: [Hz, start, length] in seconds. Low enough for old ears, rough enough to be heard beside a fire. */
  function play(tones, type) {
    if (!isOn()) return;
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
    sound.played += 1; // for tests
  }

  function alarm() {
    play(
      [
        [880, 0, 0.25],
        [660, 0.3, 0.25],
        [880, 0.6, 0.25],
        [660, 0.9, 0.35],
      ],
      "square",
    );
    navigator.vibrate?.([300, 150, 300, 150, 500]);
  }

  function chime() {
    play(
      [
        [523, 0, 0.3],
        [784, 0.3, 0.5],
      ],
      "sine",
    );
    navigator.vibrate?.(200);
  }

  /** Turn it on and let it be heard; to be called from a tap. */
  async function arm() {
    context ||= new (window.AudioContext || window.webkitAudioContext)();
    await context.resume();
    on = true;
    alarm();
    soundedAt = performance.now() / 1000;
    show();
  }

  function disarm() {
    on = false;
    context.suspend();
    navigator.vibrate?.(0);
    show();
  }

  function watch() {
    if (!$("sound")) return;
    if (!SILENT_STATES.includes(S.state)) hushed = null;
    const lost = SILENT_STATES.includes(S.state) && hushed !== S.state;
    for (const id of ["lost-quiet", "stale-quiet"]) $(id).hidden = !isOn() || !lost;
    show();
    if (!isOn()) return;
    const [loud, good] = S.tone;
    for (const key of good) {
      if (!chimed.has(key)) chime();
      chimed.add(key);
    }
    const now = performance.now() / 1000;
    if ((lost || (S.state === "fresh" && loud)) && now - soundedAt >= EVERY_S) {
      soundedAt = now;
      alarm();
    }
  }

  function show() {
    const button = $("sound");
    const words = isOn() ? "Sound on" : on ? "Tap for sound" : "Sound off";
    // A firing that runs beside a silent tablet: asked for loudly, until somebody has tapped.
    const wanted = String(!isOn() && ["fresh", ...SILENT_STATES].includes(S.state));
    if (button.dataset.wanted !== wanted) button.dataset.wanted = wanted;
    const said = wanted === "true" && !on ? "Sound is off: tap to hear alarms" : words;
    if (button.textContent === said) return;
    button.textContent = said;
    button.setAttribute("aria-pressed", String(isOn()));
    button.title = isOn() ? "Alarms sound until they are acknowledged" : "Tap to hear the alarm and have it armed";
  }

  async function keepAwake() {
    if (document.hidden || lock) return;
    if (!navigator.wakeLock) {
      const why = window.isSecureContext ? "This browser lets the screen go dark" : "Without https the browser lets the screen go dark";
      sayAwake(`${why}: set the tablet's own screen time-out to its longest.`);
      return;
    }
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => {
        lock = null;
      });
      sayAwake("The screen stays on.");
    } catch {
      sayAwake("The tablet refuses to keep its screen on (low battery?): plug it in, away from the heat.");
    }
  }

  let awake = "";
  function sayAwake(words) {
    awake = words;
    if ($("awake")) $("awake").textContent = awake;
  }

  S.hooks.push(() => {
    if ($("awake") && $("awake").textContent !== awake) $("awake").textContent = awake;
  });
  document.addEventListener("click", (event) => {
    const id = event.target.closest?.("button")?.id;
    if (id === "sound") (isOn() ? disarm : arm)();
    else if (id === "lost-quiet" || id === "stale-quiet") hushed = S.state;
  });
  setInterval(watch, 500);
  document.addEventListener("visibilitychange", () => {
    keepAwake();
    if (on) context?.resume();
  });
  document.addEventListener("pointerdown", () => keepAwake(), { once: true });
  keepAwake();
})();
