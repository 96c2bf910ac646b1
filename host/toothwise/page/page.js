
"use strict";
// Shows what the tool sends; works nothing out. The server sends what changed; `have` holds what there is.

const MOST_ROWS = 128, MOST_FINDINGS = 40;
const OLD_S = 2, SILENT_S = 6, NEWS_MS = 2500, QUIET_MS = 250;
const SEEN = 1, BLIND = 2, EXTRA = 4, MISSING = 8;   // a cell's flags, above the character "0"
const PRESSES = ["wiggle", "next", "back", "mark"];
const $ = (id) => document.getElementById(id);
const me = [...crypto.getRandomValues(new Uint8Array(8))].map((b) => b.toString(16).padStart(2, "0")).join("");

let have = nothing();
let role = "", age = 0, heard = Date.now(), waits = 0, ended = false, socket = null;
let drawn = true, newsUntil = 0, lastSound = 0, hush = false, audio = null;

function nothing() {
  return { run: "", now: null, wheel: null, rows: new Map(), findings: new Map(), alarm: null, begun: false, fresh: false };
}

// ---- the line to the tool

function connect() {
  socket = new WebSocket(`ws://${location.host}${location.pathname}live?id=${me}`);
  socket.onmessage = (message) => hear(JSON.parse(message.data));
  socket.onclose = (end) => {
    if (socket !== end.target) return;
    ended ||= end.code === 1001 && end.reason === "ended";   // until the next one is heard
    socket = null;
    setTimeout(connect, Math.min(500 * 2 ** waits++, 3000));
    tick();
  };
}

function say(what) {
  if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(what));
}

function hear(news) {
  heard = Date.now();
  waits = 0;
  ended = false;
  if (news.run && news.run !== have.run) have = { ...nothing(), run: news.run };
  if (news.role) role = news.role;
  if (news.wheel) { have.wheel = news.wheel; have.rows.clear(); }
  if (news.now) have.now = news.now;
  for (const row of news.rows ?? []) keep(have.rows, row, MOST_ROWS);
  for (const one of news.findings ?? []) { keep(have.findings, one, MOST_FINDINGS); have.fresh = true; }
  if (news.alarm) {   // what was there before this page was opened is not sounded
    if (have.begun && news.alarm.n > (have.alarm?.n ?? 0)) ring(news.alarm);
    have.alarm = news.alarm;
  }
  if (news.now) have.begun = true;
  age = news.age ?? (news.n === undefined ? age : 0);
  if (news.n !== undefined) say({ seen: news.n });
  if (drawn) { drawn = false; requestAnimationFrame(draw); }
}

function keep(kept, one, most) {
  kept.set(one[0], one);
  while (kept.size > most) kept.delete(Math.min(...kept.keys()));
}

// ---- sound and touch

// Each finding has its own pitch and number: [hertz, times].
const TONES = { missing: [440, 1], extra: [880, 2], feed: [660, 3], contact: [1100, 1], open: [330, 1], short: [1300, 2] };

function audible() {
  return audio !== null && audio.state === "running" && !(role === "hand" ? have.now?.muted : hush);
}

function ring(alarm) {
  newsUntil = Date.now() + NEWS_MS;
  if (Date.now() - lastSound < QUIET_MS) return;
  lastSound = Date.now();
  const [hertz, times] = TONES[alarm.name] ?? TONES.contact;
  if (!(role === "hand" ? have.now?.muted : hush)) shake(Array(2 * times - 1).fill(90));
  if (!audible()) return;
  for (let i = 0; i < times; i++) {
    const at = audio.currentTime + 0.16 * i, tone = audio.createOscillator(), loud = audio.createGain();
    tone.type = "square";
    tone.frequency.value = hertz;
    loud.gain.setValueAtTime(0.3, at);
    loud.gain.exponentialRampToValueAtTime(0.001, at + 0.13);
    tone.connect(loud).connect(audio.destination);
    tone.start(at);
    tone.stop(at + 0.14);
  }
}

function shake(pattern) {   // browsers let a page do it only after a touch, and some never
  if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.(pattern);
}

function toggleSound() {
  const on = !audible();
  if (on) {   // browsers let a page sound only after a touch
    audio ??= new AudioContext();
    audio.resume().then(tick);
  }
  hush = !on;
  if (role === "hand") say({ press: on ? "sound" : "mute" });
  tick();
}

// ---- what is seen

function put(id, text) {
  const node = $(id);
  if (node.textContent !== text) node.textContent = text;
}

function draw() {
  drawn = true;
  const now = have.now;
  if (now) {
    const guided = now.what !== undefined;
    document.body.classList.toggle("wiggle", now.buttons.includes("next") && role === "hand");
    document.body.classList.toggle("alone", role !== "hand");
    document.title = `toothwise ${now.kind}`;
    put("kind", `toothwise ${now.kind}`);
    put("title", now.title);
    put("notice", now.notice);
    $("place").hidden = $("places").hidden = !guided;
    $("figures").hidden = guided;
    document.body.classList.toggle("guided", guided);
    if (guided) drawPlace(now); else drawFigures(now);
    put("mark", now.marks ? `Mark (${now.marks})` : "Mark");
    for (const name of PRESSES) $(name).hidden = role !== "hand" || !now.buttons.includes(name);
  }
  if (have.fresh) drawFindings();
  if (have.alarm) {
    put("alarm-what", have.alarm.text);
    for (const name of ["missing", "extra", "blind"]) $("alarm").classList.toggle(name, have.alarm.name === name);
  }
  drawRaster();
  tick();
}

function drawFigures(now) {
  put("rpm", now.rpm);
  for (const [name, text] of Object.entries(now.figures)) {
    put(name, text);
    const mine = $(name).parentNode;
    mine.classList.toggle("some", /missing|extra|blind/.test(mine.className) && !/^0( s)?$/.test(text));
  }
}

function drawPlace(now) {
  put("doing", now.doing);
  put("what", now.what);
  put("left", now.left === null ? "–" : String(now.left));
  put("here", String(now.here));
  put("whole", String(now.whole));
  put("state", now.state);
  put("next", now.last ? "Finish" : "Next place");
  $("heres").classList.toggle("some", now.here > 0);
  const list = $("place-list"), key = JSON.stringify([now.what, now.places]);
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...now.places.map(([name, events, wiggles]) => {
    const here = name === now.what, told = events ? "b" : "em";
    const text = events ? `■ ${events} event${events === 1 ? "" : "s"}` : wiggles ? "quiet" : "";
    return item(here ? "here" : "", node("span", here ? "▶" : ""), node("span", name), node(told, text));
  }));
  const box = $("places"), here = list.querySelector(".here");
  if (here) box.scrollTop = here.offsetTop - box.clientHeight / 2;
}

function drawFindings() {
  have.fresh = false;
  const newest = [...have.findings.values()].sort((a, b) => b[0] - a[0]);
  const kinds = { missing: "missing", silent: "missing", extra: "extra", blind: "blind" };
  $("finding-list").replaceChildren(...newest.map(([, kind, what, where]) => {
    const sign = node("i", "");
    sign.className = "sign";
    return item(kinds[kind] ?? "other", sign, node("b", what), node("bdi", where));
  }));
}

function node(tag, text) {
  const made = document.createElement(tag);
  made.textContent = text;   // never as markup, whatever it says
  return made;
}

function item(name, ...parts) {
  const made = document.createElement("li");
  made.className = name;
  made.append(...parts);
  return made;
}

// ---- the raster: a row a revolution (or several), a column a tooth; the newest row is at the bottom

const style = getComputedStyle(document.documentElement);
const colour = Object.fromEntries(["ink", "quiet", "missing", "extra", "blind"].map((n) => [n, style.getPropertyValue(`--${n}`)]));

function drawRaster() {
  const wheel = have.wheel, canvas = $("raster");
  $("waiting").hidden = wheel !== null || have.now?.what !== undefined;
  $("wheel").hidden = wheel === null && have.now?.what !== undefined;
  canvas.hidden = $("legend").hidden = wheel === null;
  if (!wheel) return;
  const rows = [...have.rows.values()].sort((a, b) => a[0] - b[0]);
  const span = rows.length ? rows[rows.length - 1][2] : 1;
  put("a-row", `a row: ${span === 1 ? "1 revolution" : `${span} revolutions`}`);
  const sharp = devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * sharp)) canvas.width = Math.round(width * sharp);
  if (canvas.height !== Math.round(height * sharp)) canvas.height = Math.round(height * sharp);
  const pen = canvas.getContext("2d");
  pen.setTransform(sharp, 0, 0, sharp, 0, 0);
  pen.clearRect(0, 0, width, height);
  const left = 52, top = 20, cell = (width - left) / wheel.columns, high = Math.max(5, Math.min(9, cell));
  const shown = rows.slice(-Math.floor((height - top) / high));
  drawScale(pen, wheel, left, top, cell, high * shown.length);
  pen.textAlign = "right";
  const labels = [];
  shown.forEach((row, i) => {
    const y = top + i * high;
    if (row[0] % 8 === 0) labels.push([row[1] < 0 ? "start" : row[1].toLocaleString("en"), y + high / 2 + 4.5]);
    drawRow(pen, row[3], left, y, cell, high);
  });
  pen.fillStyle = colour.quiet;
  pen.fillText("tooth", left - 6, 13);
  for (const [label, y] of labels) pen.fillText(label, left - 6, y);
  const told = have.now?.figures;
  canvas.setAttribute("aria-label", `Revolution raster of wheel ${wheel.name}` +
    (told ? `: ${told.missing} teeth missing and ${told.extra} extra in ${told.revolutions} revolutions` : ""));
}

function drawScale(pen, wheel, left, top, cell, high) {
  pen.font = "13px system-ui, sans-serif";
  pen.textAlign = "center";
  pen.fillStyle = "#e4e4e4";
  for (const [after, long] of wheel.gaps) {
    const end = Math.min(after - 1 + long, wheel.columns);
    pen.fillRect(left + (after - 1) * cell, top, (end - after + 1) * cell, high);
  }
  pen.fillStyle = colour.quiet;
  const step = [1, 2, 5, 10, 20, 50, 100, 200, 500].find((s) => s * cell >= 34) ?? 1000;
  wheel.teeth.forEach((column, i) => {
    const tooth = i + 1;
    if (tooth === 1 || tooth % step === 0) pen.fillText(String(tooth), left + (column + 0.5) * cell, 13);
  });
}

function drawRow(pen, cells, left, y, cell, high) {
  const wide = Math.max(cell, 2), each = [...cells].map((c) => c.charCodeAt(0) - 48);
  const paint = (flag, fill, mark) => {
    pen.fillStyle = fill;
    each.forEach((flags, i) => { if (flags & flag) mark(left + i * cell); });
  };
  const dot = Math.max(2, high / 3.5);
  paint(SEEN, colour.quiet, (x) => pen.fillRect(x + (wide - dot) / 2, y + (high - dot) / 2, dot, dot));
  paint(BLIND, colour.blind, (x) => { for (let k = 0; k < 3; k++) pen.fillRect(x + k * wide / 3, y + high - (k + 1) * high / 3, wide / 3, high / 3); });
  paint(MISSING, colour.missing, (x) => pen.fillRect(x, y + 0.5, wide - Math.min(1, wide / 4), high - 1));
  const bar = Math.max(wide / 3, 2);
  paint(EXTRA, "#fff", (x) => pen.fillRect(x + (wide - bar) / 2 - 1, y, bar + 2, high));
  paint(EXTRA, colour.extra, (x) => pen.fillRect(x + (wide - bar) / 2, y, bar, high));
}

// ---- now and then: is it old, is it still news

function tick() {
  const cut = (Date.now() - heard) / 1000, old = age + cut, open = socket !== null && socket.readyState === WebSocket.OPEN;
  const lost = !open || cut > OLD_S, seconds = `${Math.floor(old)} s`;
  const before = have.now ? `What you see is ${seconds} old.` : "";
  put("link", ended ? "ended" : lost ? "no connection" : old > OLD_S ? "old" : role ? "live" : "connecting");
  put("old", ended ? "It has ended. The next one shows here by itself." :
    lost && cut > OLD_S ? `No connection. ${before} Trying again.` :
    !lost && old > OLD_S ? `Nothing new came. ${before}` : "");
  put("role", { look: "This screen only looks on.", wait: "The buttons are on another screen." }[role] ?? "");
  for (const name of PRESSES) $(name).disabled = lost;
  $("wiggle").disabled = lost || !have.now?.wiggle_next;
  put("sound", audible() ? "Mute" : "Sound on");
  $("alarm").classList.toggle("news", Date.now() < newsUntil);
  if (open && cut > SILENT_S) { const gone = socket; gone.onclose({ target: gone, code: 1006 }); gone.close(); }
}

for (const name of PRESSES) $(name).onclick = () => { say({ press: name }); shake(20); };
$("sound").onclick = toggleSound;
addEventListener("resize", () => drawRaster());
const ticking = setInterval(tick, 250);
connect();
