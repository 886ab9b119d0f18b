/* Sound and vibration, armed by a tap (browsers allow neither without one), and a screen that stays on. */
"use strict";

(() => {
  const EVERY_S = 4; // an alarm sounds again until somebody has acknowledged it
  const SILENT_STATES = ["link", "logger", "rig", "trouble"];
  const S = window.stokewatch;
  const { $ } = S;
  const chimed = new Set();
  let [context, on, soundedAt] = [null, false, -1e9];
  let hushed = null; // the silent state that somebody has quieted
  let [lock, awake] = [null, ""];

  const isOn = () => on && context?.state === "running";
  S.sound = { played: 0, isOn };

  /** Play tones [Hz] in turn: low enough for old ears, rough enough to be heard beside a fire. */
  function play(tones, type, shake) {
    if (!isOn()) return;
    for (const [n, hz] of tones.entries()) {
      const [tone, loud] = [context.createOscillator(), context.createGain()];
      const at = context.currentTime + 0.02 + 0.3 * n;
      Object.assign(tone, { type }).frequency.value = hz;
      loud.gain.setValueCurveAtTime([0, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6, 0.6, 0], at, 0.27);
      tone.connect(loud).connect(context.destination);
      tone.start(at);
      tone.stop(at + 0.27);
    }
    navigator.vibrate?.(shake);
    S.sound.played += 1; // for tests
  }
  const alarm = () => play([880, 660, 880, 660], "square", [300, 150, 300, 150, 500]);
  const chime = () => play([523, 784], "sine", 200);

  /** Turn sound on and play it, or off; must be called from a tap. */
  async function turn() {
    context ||= new (window.AudioContext || window.webkitAudioContext)();
    on = !isOn();
    if (on) {
      await context.resume();
      alarm();
      soundedAt = performance.now() / 1000;
    } else {
      context.suspend();
      navigator.vibrate?.(0);
    }
    show();
  }

  function watch() {
    if (!$("sound")) return;
    if (!SILENT_STATES.includes(S.state)) hushed = null;
    const lost = SILENT_STATES.includes(S.state) && hushed !== S.state;
    $("awake").textContent = awake;
    for (const id of ["lost-quiet", "stale-quiet"]) $(id).hidden = !isOn() || !lost;
    show();
    if (!isOn()) return;
    const [loud, good] = S.tone;
    if (good.some((key) => !chimed.has(key))) chime();
    for (const key of good) chimed.add(key);
    const now = performance.now() / 1000;
    if ((lost || (S.state === "fresh" && loud)) && now - soundedAt >= EVERY_S) {
      soundedAt = now;
      alarm();
    }
  }

  function show() {
    const button = $("sound");
    // A firing is running and the tablet is silent: ask for sound until somebody taps.
    const wanted = String(!isOn() && ["fresh", ...SILENT_STATES].includes(S.state));
    if (button.dataset.wanted !== wanted) button.dataset.wanted = wanted;
    const said = isOn() ? "Sound on" : on ? "Tap for sound" : wanted === "true" ? "Sound is off: tap" : "Sound off";
    if (button.textContent === said) return;
    button.textContent = said;
    button.setAttribute("aria-pressed", String(isOn()));
    button.title = isOn() ? "Alarms sound until they are acknowledged" : "Tap to hear the alarm and turn sound on";
  }

  async function keepAwake() {
    if (document.hidden || (lock && !lock.released)) return;
    lock = await navigator.wakeLock?.request("screen").catch(() => null);
    const why = window.isSecureContext ? "The tablet won't keep its screen on (low battery?)" : "Without https the screen may go dark";
    awake = lock ? "Screen stays on." : `${why}: set its screen time-out to the longest.`;
  }
  document.addEventListener("click", (event) => {
    const id = event.target.closest?.("button")?.id;
    if (id === "sound") turn();
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
