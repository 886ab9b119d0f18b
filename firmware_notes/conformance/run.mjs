// Runs rig firmware under MicroPython with simulated chips. See own_firmware.md.
//
//   node run.mjs SCENARIO.json [--firmware DIR]           in simulated time; prints the result as JSON
//   node run.mjs SCENARIO.json [--firmware DIR] --live    in real time; standard input and output are the serial
//                                                         line (give it one end of a pseudo-terminal); pins
//                                                         that change go to standard error, "pin 14 1"

import { readFileSync, readSync, readdirSync, writeSync } from "node:fs";
import { connect } from "node:net";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

const here = dirname(fileURLToPath(import.meta.url));
const args = process.argv.slice(2);
const live = args.includes("--live");
const at = args.indexOf("--firmware");
const firmware = at >= 0 ? args[at + 1] : join(here, "..", "firmware");
const scenario = JSON.parse(readFileSync(args[0], "utf8"));
const mqtt = scenario.config?.LINK === "mqtt";

class Over extends Error {}

const POWER = 1;
const WATCHDOG = 3; // machine.reset_cause() on an RP2040
let resetCause = POWER;
let startedMs = 0; // when the board last started
const brownOuts = [...(scenario.brown_outs ?? [])]; // [ms, …]

function inSpan(spans) {
  const now = elapsedMs();
  return (spans ?? []).some(([from, to]) => from <= now && now < (to ?? Infinity));
}

// --- the clock, and what the chips hold ---

const TICKS = 2 ** 30;
const runMs = scenario.run_ms ?? Infinity;
const firstTick = scenario.first_tick ?? 0;
const speed = scenario.speed ?? 1;
const started = process.hrtime.bigint();
const sleeper = new Int32Array(new SharedArrayBuffer(4));
let nowUs = 0;
let napMs = 0;

function elapsedMs() {
  return live ? (Number(process.hrtime.bigint() - started) / 1e6) * speed : nowUs / 1000;
}

function entryAt(held) {
  const now = elapsedMs();
  let low = 0; // the last entry that has begun
  let high = held.length;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (held[middle][0] <= now) low = middle;
    else high = middle;
  }
  return low;
}

function wordAt(name) {
  const held = scenario.chips[name];
  return (Array.isArray(held) ? held[entryAt(held)][1] : held) ?? null;
}

// How often the chip has lost power so far, even if nobody looked meanwhile.
function dropsAt(name) {
  const held = scenario.chips[name];
  if (!Array.isArray(held) || !(name in drops)) return 0;
  return drops[name][entryAt(held)];
}

const drops = {};
for (const [name, held] of Object.entries(scenario.chips)) {
  if (!Array.isArray(held) || !held.some(([, word]) => word === null)) continue;
  let count = 0;
  drops[name] = held.map(([, word]) => (count += word === null ? 1 : 0));
}

const result = { lines: [], memory: [], pins: [], watchdog_ms: null, missing_feeds: 0, bites: [], frames: 0 };
let fedMs = null;
let watchdogMs = Infinity;
let memoryDueMs = 0;

const world = {
  ticks_ms: () => (firstTick + Math.floor(elapsedMs() - startedMs)) % TICKS,
  reset_cause: () => resetCause,
  bus_stuck: (number) => {
    // A bus that hangs the whole program, until the watchdog ends it.
    while (inSpan(scenario.hangs?.[number])) world.spend_us(100_000);
    return inSpan(scenario.stuck_buses?.[number]);
  },
  word: wordAt,
  drops: dropsAt,
  spend_us: (us) => {
    if (live) {
      napMs = us / 1000 / speed;
      if (us >= 1000 && !mqtt) Atomics.wait(sleeper, 0, 0, napMs);
    } else {
      nowUs += us;
    }
    if (elapsedMs() >= runMs) throw new Over("the scenario is over");
    if (elapsedMs() >= (brownOuts[0] ?? Infinity)) {
      brownOuts.shift();
      resetCause = POWER;
      throw new Error("the board restarts");
    }
    if (!live && fedMs !== null && elapsedMs() - fedMs > watchdogMs) {
      resetCause = WATCHDOG;
      result.bites.push(Math.floor(elapsedMs()));
      throw new Error("the board restarts");
    }
  },
  pin: (number, level) => {
    if (live) writeSync(2, `pin ${number} ${level}\n`);
    else result.pins.push([Math.floor(elapsedMs()), number, level]);
  },
  watchdog: (timeoutMs) => {
    if (timeoutMs) watchdogMs = result.watchdog_ms = timeoutMs;
    if (fedMs !== null && elapsedMs() - fedMs > watchdogMs) result.missing_feeds += 1;
    fedMs = elapsedMs();
  },
};

// --- the host at the other end of the serial line ---

const table = Array.from({ length: 256 }, (_, n) => {
  for (let k = 0; k < 8; k++) n = n & 1 ? (n >>> 1) ^ 0xedb88320 : n >>> 1;
  return n >>> 0;
});

function sealed(body) {
  let crc = 0xffffffff;
  for (let i = 0; i < body.length; i++) crc = table[(crc ^ body.charCodeAt(i)) & 0xff] ^ (crc >>> 8);
  return `${body}*${((crc ^ 0xffffffff) >>> 0).toString(16).padStart(8, "0")}\n`;
}

const host = { listening: [[0, Infinity]], away: "closed", ack_ms: 1000, us_per_byte: 1.5, ...scenario.host };
let toRig = "";
let fromRig = "";
let unread = 0; // bytes stuck in an open port that nobody reads
let lastAckMs = 0;
let lastSeq = null;
let taken = 0;
let opened = false;
const asked = [...(host.asks ?? [])]; // [ms, line body or "?"]

function hostListens() {
  const now = elapsedMs();
  return host.listening.some(([from, to]) => from <= now && now < (to ?? Infinity));
}

function hostSpeaks() {
  const now = elapsedMs();
  if (!hostListens()) {
    opened = false;
    lastSeq = null;
  } else if (!opened) {
    opened = true;
    fromRig = "";
    if (host.ack_ms && host.begins_with_r !== false) toRig += sealed("r"); // a host says this as soon as it has opened the port
  }
  while (asked.length && asked[0][0] <= now) {
    const line = asked.shift()[1];
    toRig += line === "?" ? "?\n" : sealed(line);
  }
  if (host.ack_ms && lastSeq !== null && now - lastAckMs >= host.ack_ms && hostListens()) {
    toRig += sealed(`a${lastSeq}`);
    lastAckMs = now;
    lastSeq = null;
  }
}

function hostTakes(line) {
  taken += 1;
  if (host.damage_every && taken % host.damage_every === 0) {
    line = line.replace('"seq"', '"sEq"');
    if (host.asks_again) toRig += sealed("r");
  } else {
    const seq = /"seq":(\d+)/.exec(line);
    if (seq) lastSeq = seq[1];
  }
  result.frames += line.startsWith("{") ? 1 : 0;
  if (scenario.keep_lines !== false) result.lines.push([Math.floor(elapsedMs()), line]);
  else result.lines = [[Math.floor(elapsedMs()), line]];
}

const simulatedSerial = {
  readable: () => {
    hostSpeaks();
    return toRig.length > 0;
  },
  read: (count) => {
    const text = toRig.slice(0, count);
    toRig = toRig.slice(count);
    return text;
  },
  writable: () => hostListens() || host.away === "closed" || unread < 256,
  write: (text) => {
    if (!hostListens()) {
      if (host.away === "closed") return text.length;
      const room = Math.max(256 - unread, 0);
      unread += Math.min(text.length, room);
      if (text.length > room) nowUs += 500_000; // the board waits that long for room, then gives up
      return Math.min(text.length, room);
    }
    unread = 0;
    nowUs += text.length * host.us_per_byte;
    const lines = (fromRig + text).split("\n");
    fromRig = lines.pop();
    for (const line of lines) if (line) hostTakes(line);
    return text.length;
  },
};

const one = Buffer.alloc(1);
let ahead = null;

const realSerial = {
  readable: () => {
    if (ahead === null) {
      try {
        if (readSync(0, one, 0, 1, null) === 1) ahead = one.toString("latin1");
      } catch (error) {
        if (error.code !== "EAGAIN" && error.code !== "EIO") throw error;
      }
    }
    return ahead !== null;
  },
  read: () => {
    const text = ahead;
    ahead = null;
    return text;
  },
  writable: () => true,
  write: (text) => {
    const data = Buffer.from(text, "latin1");
    try {
      return writeSync(1, data, 0, data.length);
    } catch (error) {
      if (error.code === "EAGAIN" || error.code === "EIO") return 0;
      throw error;
    }
  },
};

// --- the radio: real sockets ---

const sockets = [];
const net = {
  radio: () => (scenario.radio ?? [[0, null]]).some(([from, to]) => from <= elapsedMs() && elapsedMs() < (to ?? Infinity)),
  open: (hostname, port) => {
    const entry = { state: 0, data: Buffer.alloc(0) };
    entry.socket = connect(port, hostname, () => (entry.state = 1));
    entry.socket.on("data", (data) => (entry.data = Buffer.concat([entry.data, data])));
    entry.socket.on("error", () => (entry.state = 2));
    entry.socket.on("close", () => (entry.state = 2));
    return sockets.push(entry) - 1;
  },
  state: (id) => (net.radio() ? sockets[id].state : 2),
  send: (id, hex) => void sockets[id].socket.write(Buffer.from(hex, "hex")),
  recv: (id, count) => {
    const entry = sockets[id];
    if (!entry.data.length) return entry.state === 2 || !net.radio() ? "" : null;
    const part = entry.data.subarray(0, count);
    entry.data = entry.data.subarray(count);
    return part.toString("hex");
  },
  close: (id) => void sockets[id].socket.destroy(),
};

// --- the board ---

const prepare = `
import sys
sys.path[:] = ["/sim", "/rig"]
import setup
import json, scenario, config
for key, value in json.loads(scenario.config).items():
    setattr(config, key, value)
for key in json.loads(scenario.without):
    delattr(config, key)
import board, simchips
if scenario.fit:
    simchips.fit(config)
for number, level in json.loads(scenario.pins).items():
    board.pins[int(number)] = level
`;

function copyTree(from, to, folder) {
  let names;
  try {
    names = from.readdir(folder);
  } catch {
    return;
  }
  to.mkdirTree(folder);
  for (const name of names) {
    if (name !== "." && name !== "..") to.writeFile(`${folder}/${name}`, from.readFile(`${folder}/${name}`));
  }
}

// A board that has just started, its flash as it was.
async function board(before) {
  const mp = await loadMicroPython({
    heapsize: scenario.heap_bytes ?? 160 * 1024,
    linebuffer: true,
    stdout: (line) => process.stderr.write(`${line}\n`),
    stderr: (line) => process.stderr.write(`${line}\n`),
  });
  for (const [folder, target] of [[join(here, "sim"), "/sim"], [firmware, "/rig"]]) {
    mp.FS.mkdir(target);
    for (const name of readdirSync(folder)) {
      if (name.endsWith(".py")) mp.FS.writeFile(`${target}/${name}`, readFileSync(join(folder, name)));
    }
  }
  if (before) copyTree(before.FS, mp.FS, "/kept");
  mp.registerJsModule("world", world);
  mp.registerJsModule("serial", live ? realSerial : simulatedSerial);
  mp.registerJsModule("net", net);
  mp.registerJsModule("scenario", {
    config: JSON.stringify(scenario.config ?? {}),
    without: JSON.stringify(scenario.without ?? []),
    fit: scenario.fit ?? true,
    pins: JSON.stringify(scenario.pins ?? {}),
  });
  return mp;
}

function alloc(mp) {
  mp.runPython("allocated = gc.mem_alloc()");
  return mp.globals.get("allocated");
}

async function life(mp) {
  mp.runPython(prepare);
  // main.py's loop, turned from here: this port of MicroPython collects garbage only between calls, and
  // sockets need the event loop to run.
  mp.runPython("from start import start, turn\nstarted = start()\ndef once():\n    turn(*started)\n");
  if (scenario.patch) mp.runPython(scenario.patch);
  const once = mp.globals.get("once");
  while (mp.globals.get("started")) {
    once();
    if (mqtt) await new Promise((done) => setTimeout(done, live ? napMs : 0));
    if (!live && elapsedMs() >= memoryDueMs) {
      result.memory.push([Math.floor(elapsedMs()), mp.runPython("import gc\ngc.collect()") ?? alloc(mp)]);
      memoryDueMs += scenario.memory_every_ms ?? 60_000;
    }
  }
}

let mp = null;
for (let again = true; again; ) {
  again = false;
  mp = await board(mp);
  try {
    await life(mp);
  } catch (error) {
    const words = String(error.message);
    if (words.includes("the board restarts")) {
      again = true;
      startedMs = elapsedMs();
      fedMs = null;
      watchdogMs = Infinity;
      fromRig = "";
      opened = false;
    } else if (!(error instanceof Over) && !words.includes("the scenario is over")) {
      process.stderr.write(`${words}\n`);
      process.exitCode = 1;
    }
  }
}
if (!live) process.stdout.write(JSON.stringify(result));
if (mqtt) process.exit();
