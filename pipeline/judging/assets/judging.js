// The sheet: shows sightings, takes answers, and sends each at once. The server says what holds; this page only shows it.
"use strict";

const byId = (id) => document.getElementById(id);
const words = JSON.parse(byId("vocabulary").textContent);
let sheet = JSON.parse(byId("sheet").textContent);
const VERDICTS = { sign: "Sign", innocent: "Innocent", cannot_tell: "Can't tell", withdrawn: "Withdrawn" };
const RETRY_MS = 2000;
const POLL_MS = 1500;
const KEYS_OFF = "maskline judging keys off";

let tab = sessionStorage.getItem("tab");
if (!tab) {
  tab = hex();
  sessionStorage.setItem("tab", tab); // stays through a reload: what was answered here can be undone here
}
let current = 0; // of sheet.sightings
let waiting = 0; // answers that the server has not confirmed
let sending = Promise.resolve(); // answers go one after the other, in the order given

function hex() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

function el(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name in node && name !== "list") node[name] = value;
    else node.setAttribute(name, value);
  }
  node.append(...children.filter((child) => child !== null));
  return node;
}

function drawn(tag, attributes = {}) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  return node;
}

function outline(box, kind = "") {
  const place = { x: box.x, y: box.y, width: box.width, height: box.height };
  return ["under", "over"].map((layer) => drawn("rect", { ...place, class: `${kind} ${layer}` }));
}

// --- talking to the server -------------------------------------------------------------------------------------------

async function post(path, body) {
  for (;;) {
    try {
      const reply = await fetch(path, {
        method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
      });
      trouble(null);
      return { status: reply.status, ...(await reply.json()) };
    } catch {
      say(""); // what was saved before would contradict it
      trouble("Not saved yet: the program does not answer. Start maskline judge again; this page tries on by itself.");
      await new Promise((resolve) => setTimeout(resolve, RETRY_MS));
    }
  }
}

function queue(task) {
  waiting += 1;
  sending = sending.then(task).catch((error) => trouble(String(error))).finally(() => { waiting -= 1; });
  return sending;
}

// `entry` is what is answered: it holds `answer` and `version`, the version that the reader saw.
function put(entry, sha256, item, content, said) {
  if (JSON.stringify(entry.answer) === JSON.stringify(content)) return sending;
  const before = entry.answer;
  entry.answer = content;
  entry.conflict = null;
  refresh();
  return queue(async () => {
    const body = { advert: sheet.advert, sha256, item, content, seen: entry.version, tab };
    const reply = await post("/api/answer", body);
    if (reply.status === 200) {
      if (entry.answer === content) entry.answer = reply.answer; // unless answered again meanwhile
      entry.version = reply.version;
      take(reply.sheets);
      say(`${reply.note || said} Saved.`);
      watch();
    } else if (reply.status === 409 && same(reply.answer, content)) {
      entry.version = reply.version; // it was saved; only the word of it was lost
    } else if (reply.status === 409) {
      entry.conflict = { answer: reply.answer, version: reply.version, mine: content };
      entry.answer = reply.answer;
      entry.version = reply.version;
      say(`Not saved: answered in another tab since (${saidOf(reply.answer)}). Keep that, or answer again.`);
    } else {
      entry.answer = before;
      say(`Not saved: ${reply.fault}; ${reply.remedy}.`);
    }
    refresh();
  });
}

function same(a, b) {
  const flat = (value) => JSON.stringify(value, value && Object.keys({ ...value, ...value.box, ...value.points }).sort());
  return flat(a) === flat(b);
}

function undo() {
  return queue(async () => {
    const reply = await post("/api/undo", { advert: sheet.advert, tab });
    if (reply.status === 200 && reply.item === null) return say("Nothing left to undo in this tab.");
    if (reply.status !== 200) {
      await load();
      return say(`Not undone: ${reply.fault}.`);
    }
    await load();
    const index = sheet.sightings.findIndex((s) => s.sha256 === reply.sha256 && s.item === reply.item);
    if (index >= 0) choose(index);
    const where = index >= 0 || sheet.photos[reply.sha256] ? "" : " (on another sheet)";
    say(`Undone in ${reply.photo || "a photo"}${where}: ${saidOf(reply.answer)}.`);
    watch();
  });
}

// What holds on the server now; marks may have come or gone, and another tab may have answered.
async function load() {
  const address = new URLSearchParams({ advert: sheet.advert, zone: sheet.zone });
  const reply = await fetch(`/api/sheet?${address}`);
  if (!reply.ok) return;
  const chosen = sheet.sightings[current];
  const shown = large.open && large.sighting;
  const fresh = await reply.json();
  const conflicts = new Map(sheet.sightings.filter((s) => s.conflict).map((s) => [s.sha256 + s.item, s.conflict]));
  sheet = fresh;
  for (const s of sheet.sightings) s.conflict = conflicts.get(s.sha256 + s.item) || null;
  const find = (s) => sheet.sightings.findIndex((other) => other.sha256 === s.sha256 && other.item === s.item);
  const found = chosen ? find(chosen) : 0;
  current = found >= 0 ? found : Math.max(0, Math.min(current, sheet.sightings.length - 1));
  if (large.open) {
    const index = shown ? find(shown) : -1;
    large.sighting = index >= 0 ? sheet.sightings[index] : null;
    if (!sheet.photos[large.sha256]) large.dialog.close();
  }
  build();
}

let watching = null;
function watch() {
  sheet.status.behind = true;
  showThought();
  if (watching === null) watching = setTimeout(look, POLL_MS);
}

async function look() {
  watching = null;
  try {
    const reply = await fetch(`/api/status?${new URLSearchParams({ advert: sheet.advert })}`);
    sheet.status = await reply.json();
  } catch { /* the next answer will tell */ }
  showThought();
  if (sheet.status.behind && !sheet.status.trouble) watching = setTimeout(look, POLL_MS);
}

function take(tallies) {
  for (const tally of tallies) {
    const own = sheet.sheets.find((other) => other.zone === tally.zone);
    if (own) Object.assign(own, tally);
  }
}

// --- what is said ----------------------------------------------------------------------------------------------------

function say(text) {
  byId("status").textContent = text;
  if (large.open) byId("hint").textContent = text;
}

function trouble(text) {
  byId("trouble").textContent = text || "";
  byId("trouble").hidden = !text;
  if (large.open && text) byId("hint").textContent = text;
}

function cueName(cue) {
  return words.cues[cue] ? words.cues[cue].label : cue.replaceAll("_", " ");
}

function placeName(zone, side) {
  const place = zone ? words.zones[zone].label : "Place not told";
  return side ? `${place}, ${side}` : place;
}

function saidOf(content) {
  if (!content || (content.kind === "mark" && !content.verdict)) return "open";
  if (content.kind === "shot") return words.shots[content.shot];
  if (content.kind === "looked_through") return "nothing else is there";
  if (content.kind === "decal") return "decal measured";
  return content.cause ? `innocent: ${words.causes[content.cause]}` : VERDICTS[content.verdict].toLowerCase();
}

// What an answer to this sighting starts from: what was answered, else what was seen.
function contentOf(s) {
  return s.answer || { kind: "mark", verdict: null, cue: s.cue, cause: null, box: s.place, zone: s.zone, side: s.side };
}

function saidAbout(s) {
  const content = contentOf(s);
  const parts = [];
  if (content.verdict) parts.push(content.cause ? `Innocent: ${words.causes[content.cause]}` : VERDICTS[content.verdict]);
  if (content.cue !== s.cue) parts.push(`as ${cueName(content.cue)}`);
  if (content.zone !== s.zone || content.side !== s.side) parts.push(`at ${placeName(content.zone, content.side)}`);
  if (JSON.stringify(content.box) !== JSON.stringify(s.place)) parts.push("box mended");
  return parts.join(", ") || "Open";
}

// --- the sheet -------------------------------------------------------------------------------------------------------

function build() {
  byId("places").replaceChildren(...sheet.sheets.map((tally) => {
    const link = el("a", { href: `/sheet?${new URLSearchParams({ advert: sheet.advert, zone: tally.zone })}` }, tally.label);
    if (tally.zone === sheet.zone) link.setAttribute("aria-current", "page");
    if (tally.total) link.append(el("span", { className: "left" }, ""));
    return el("li", {}, link);
  }));
  byId("sightings").replaceChildren(...sheet.sightings.map(card));
  byId("photos").replaceChildren(...Object.entries(sheet.photos).map(([sha256, photo]) => {
    const picture = el("img", { src: `/small/${sha256}`, alt: "", loading: "lazy", width: photo.width, height: photo.height });
    const button = el("button", { type: "button" }, picture, el("span", {}, photo.name), el("span", { className: "quiet" }));
    button.addEventListener("click", () => open(sha256, null));
    return el("li", {}, button);
  }));
  refresh();
}

function card(s, index) {
  const view = drawn("svg", { viewBox: `${s.cut.x} ${s.cut.y} ${s.cut.width} ${s.cut.height}`, "aria-hidden": "true" });
  const address = new URLSearchParams(s.cut);
  view.append(drawn("image", { ...s.cut, href: `/cut/${s.sha256}?${address}`, preserveAspectRatio: "none" }), drawn("g"));
  const photo = sheet.photos[s.sha256];
  const picture = el("button", { type: "button", className: "picture", "aria-label": `Open large: ${s.name} in ${photo.name}` });
  picture.append(view);
  picture.addEventListener("click", () => open(s.sha256, s));
  const answers = el("div", { className: "answers", role: "group", "aria-label": `Answer to ${s.name} in ${photo.name}` });
  for (const verdict of ["sign", "innocent", "cannot_tell"]) {
    const text = verdict === "innocent" ? "Innocent …" : VERDICTS[verdict];
    const button = el("button", { type: "button" }, text);
    button.dataset.verdict = verdict;
    button.addEventListener("click", () => answer(s, verdict));
    answers.append(button);
  }
  const item = el(
    "li", { className: "sighting" }, picture, el("h3", {}, s.name),
    el("p", {}, `${photo.name} · ${photo.shot_words}`), el("p", { className: "words" }, ""),
    answers, el("p", { className: "said" }), el("div", { className: "conflict", hidden: true }),
  );
  item.addEventListener("focusin", () => { current = index; showCurrent(); });
  return item;
}

function refresh() {
  const cards = [...byId("sightings").children];
  if (cards.length !== sheet.sightings.length) return build();
  sheet.sightings.forEach((s, index) => {
    const item = cards[index];
    const content = contentOf(s);
    item.className = `sighting ${content.verdict || ""}`;
    item.querySelector("g").replaceChildren(...outline(content.box));
    item.querySelector(".words").textContent = `${s.words[0].toUpperCase()}${s.words.slice(1)} · ${placeName(s.zone, s.side)}`;
    item.querySelector(".said").textContent = saidAbout(s);
    for (const button of item.querySelectorAll(".answers button")) {
      button.setAttribute("aria-pressed", String(button.dataset.verdict === content.verdict));
    }
    showConflict(item.querySelector(".conflict"), s);
  });
  showCurrent();
  const open = sheet.sightings.filter((s) => !contentOf(s).verdict).length;
  const photos = new Set(sheet.sightings.map((s) => s.sha256)).size;
  byId("tally").textContent = sheet.sightings.length
    ? `${count(sheet.sightings.length, "sighting")} in ${count(photos, "photo")}, ${open} open; what helps most comes first. Compare them before you answer.`
    : "Nothing was seen here. If you see a sign in the photos below, mark it.";
  [...byId("places").children].forEach((item, index) => {
    const tally = sheet.sheets[index];
    const left = item.querySelector(".left");
    if (left) left.textContent = tally.open ? `${tally.open} open` : "done";
  });
  [...byId("photos").children].forEach((item, index) => {
    const photo = Object.values(sheet.photos)[index];
    const seen = photo.shot.answer ? words.shots[photo.shot.answer.shot] : photo.shot_words;
    item.querySelector(".quiet").textContent = photo.looked_through.answer ? `${seen} · looked through` : seen;
  });
  showThought();
  if (large.open) showLarge();
}

function showConflict(place, s) {
  place.hidden = !s.conflict;
  if (!s.conflict) return place.replaceChildren();
  const keep = el("button", { type: "button" }, "Keep that");
  keep.addEventListener("click", () => { s.conflict = null; refresh(); });
  const mine = el("button", { type: "button" }, "Put mine");
  const wanted = s.conflict.mine;
  mine.addEventListener("click", () => put(s, s.sha256, s.item, wanted, `${saidOf(wanted)}.`));
  place.replaceChildren(
    el("p", {}, `Answered in another tab: ${saidOf(s.conflict.answer)}. Yours was: ${saidOf(wanted)}.`),
    el("div", { className: "row" }, keep, mine),
  );
}

function count(number, noun) {
  return `${number} ${noun}${number === 1 ? "" : "s"}`;
}

function showCurrent() {
  [...byId("sightings").children].forEach((item, index) => item.classList.toggle("is-current", index === current));
}

function showThought() {
  const { words: decision, refinished, behind, trouble: fault } = sheet.status;
  let text = decision ? `${decision}, ${refinished} for a refinish` : "not weighed";
  if (fault) text += ` (not written: ${fault})`;
  else if (behind) text += " (being weighed anew)";
  byId("thought").textContent = text;
}

function choose(index) {
  const cards = byId("sightings").children;
  if (!cards.length) return;
  current = Math.min(Math.max(index, 0), cards.length - 1);
  if (!large.open) cards[current].querySelector(".picture").focus();
  showCurrent();
}

// The card that lies in this direction, as they stand on the screen now.
function neighbour(key) {
  const cards = [...byId("sightings").children];
  if (key === "ArrowLeft") return current - 1;
  if (key === "ArrowRight") return current + 1;
  const columns = Math.max(1, cards.filter((item) => item.offsetTop === cards[0].offsetTop).length);
  const to = current + (key === "ArrowDown" ? columns : -columns);
  return to >= 0 && to < cards.length ? to : current;
}

function go(step) {
  const zones = sheet.sheets.map((tally) => tally.zone);
  const to = zones[zones.indexOf(sheet.zone) + step];
  if (!to) return say(step > 0 ? "This is the last place." : "This is the first place.");
  sending.then(() => location.assign(`/sheet?${new URLSearchParams({ advert: sheet.advert, zone: to })}`));
}

// --- answering -------------------------------------------------------------------------------------------------------

function answer(s, verdict) {
  if (!s) return say("Choose a sighting first, or mark one.");
  if (verdict === "innocent") return askCause(s);
  give(s, { verdict, cause: null });
}

function give(s, change) {
  const content = { ...contentOf(s), ...change };
  if (content.zone === null || !words.zones[content.zone].sided) content.side = null;
  const photo = sheet.photos[s.sha256].name;
  return put(s, s.sha256, s.item, content, `${cueName(content.cue)} in ${photo}: ${saidOf(content)}.`);
}

let asked = null;
function askCause(s) {
  asked = s;
  byId("cause-list").replaceChildren(...Object.entries(words.causes).map(([cause, label], index) => {
    const button = el("button", { type: "button" }, el("kbd", {}, String(index + 1)), ` ${label}`);
    button.addEventListener("click", () => giveCause(cause));
    return el("li", {}, button);
  }));
  byId("causes").showModal();
}

function giveCause(cause) {
  byId("causes").close();
  give(asked, { verdict: "innocent", cause });
}

// --- one photo, large ------------------------------------------------------------------------------------------------

const large = {
  dialog: byId("large"), open: false, sha256: null, sighting: null, heat: false,
  view: { x: 0, y: 0, scale: 1 }, // the photo pixel in the middle, and screen pixels per photo pixel
  mode: null, draft: null, decal: null, cross: null,
};
const stage = byId("stage");

function open(sha256, sighting) {
  large.sha256 = sha256;
  large.sighting = sighting;
  if (sighting) current = sheet.sightings.indexOf(sighting);
  leaveMode();
  large.open = true;
  if (!large.dialog.open) large.dialog.showModal();
  const photo = sheet.photos[sha256];
  const size = { x: 0, y: 0, width: photo.width, height: photo.height, preserveAspectRatio: "none" };
  for (const [name, value] of Object.entries({ ...size, href: `/photo/${sha256}` })) byId("view-photo").setAttribute(name, value);
  for (const [name, value] of Object.entries(size)) byId("view-heat").setAttribute(name, value);
  byId("hint").textContent = "";
  fit(sighting ? contentOf(sighting).box : null);
  showLarge();
  stage.focus();
}

function fit(box) {
  const photo = sheet.photos[large.sha256];
  const around = box
    ? { x: box.x - box.width, y: box.y - box.height, width: box.width * 3, height: box.height * 3 }
    : { x: 0, y: 0, width: photo.width, height: photo.height };
  const scale = Math.min(stage.clientWidth / around.width, stage.clientHeight / around.height);
  const whole = Math.min(stage.clientWidth / photo.width, stage.clientHeight / photo.height);
  large.view = { x: around.x + around.width / 2, y: around.y + around.height / 2, scale: Math.max(Math.min(scale, 2), whole) };
  showView();
}

function zoom(factor, at = null) {
  const view = large.view;
  const photo = sheet.photos[large.sha256];
  const whole = Math.min(stage.clientWidth / photo.width, stage.clientHeight / photo.height);
  const scale = Math.min(Math.max(view.scale * factor, whole / 2), 16);
  if (at) { // what is under the pointer stays there
    view.x = at.x + (view.x - at.x) * view.scale / scale;
    view.y = at.y + (view.y - at.y) * view.scale / scale;
  }
  view.scale = scale;
  showView();
}

function pan(across, down) {
  const photo = sheet.photos[large.sha256];
  large.view.x = Math.min(Math.max(large.view.x + across / large.view.scale, 0), photo.width);
  large.view.y = Math.min(Math.max(large.view.y + down / large.view.scale, 0), photo.height);
  showView();
}

function showView() {
  const { x, y, scale } = large.view;
  const width = stage.clientWidth / scale;
  const height = stage.clientHeight / scale;
  byId("view").setAttribute("viewBox", `${x - width / 2} ${y - height / 2} ${width} ${height}`);
  showMarks();
}

function photoPoint(event) {
  const frame = stage.getBoundingClientRect();
  const { x, y, scale } = large.view;
  return { x: x + (event.clientX - frame.left - frame.width / 2) / scale, y: y + (event.clientY - frame.top - frame.height / 2) / scale };
}

function showMarks() {
  const marks = [];
  const photo = sheet.photos[large.sha256];
  if (large.mode === null) {
    for (const other of photo.others) marks.push(...outline(other.place, "other"));
    for (const s of sheet.sightings) {
      if (s.sha256 === large.sha256 && s !== large.sighting) marks.push(...outline(contentOf(s).box, "other"));
    }
    if (large.sighting) marks.push(...outline(contentOf(large.sighting).box));
  } else if (large.mode === "box") {
    marks.push(...outline(large.draft, "draft"));
  } else {
    const radius = 5 / large.view.scale;
    const { points, corners } = large.decal;
    for (const [x, y] of [...Object.values(points), ...corners]) marks.push(drawn("circle", { cx: x, cy: y, r: radius, class: "point" }));
    const { x, y } = large.cross;
    const arm = 14 / large.view.scale;
    for (const layer of ["under", "draft over"]) {
      marks.push(drawn("path", { d: `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`, class: layer }));
    }
  }
  byId("view-marks").replaceChildren(...marks);
}

function showLarge() {
  const s = large.sighting;
  const photo = sheet.photos[large.sha256];
  const content = s ? contentOf(s) : null;
  byId("large-title").textContent = s ? cueName(content.cue) : photo.name;
  byId("large-about").textContent = s ? `${photo.name} · ${s.words} · ${placeName(content.zone, content.side)}` : photo.shot_words;
  byId("large-said").textContent = s ? saidAbout(s) : "No sighting chosen.";
  for (const button of byId("large-answers").children) {
    button.disabled = !s;
    button.setAttribute("aria-pressed", String(Boolean(s) && button.dataset.verdict === content.verdict));
  }
  byId("mark-fields").disabled = !s;
  if (s) {
    const cues = Object.keys(words.cues);
    options(byId("cue"), (cues.includes(s.cue) ? cues : [s.cue, ...cues]).map((cue) => [cue, cueName(cue)]), content.cue);
    const zones = Object.entries(words.zones).map(([zone, { label }]) => [zone, label]);
    options(byId("zone"), [["", "Place not told"], ...zones], content.zone || "");
    const sided = content.zone !== null && words.zones[content.zone].sided;
    for (const button of byId("sides").children) {
      button.disabled = !sided;
      button.setAttribute("aria-pressed", String(sided && button.dataset.side === (content.side || "")));
    }
    byId("withdraw").hidden = s.origin !== "reader";
  }
  const shots = Object.entries(words.shots);
  options(byId("shot"), [["", `Seems: ${photo.shot_words}`], ...shots], photo.shot.answer ? photo.shot.answer.shot : "");
  byId("through").setAttribute("aria-pressed", String(Boolean(photo.looked_through.answer)));
  const decals = Object.entries(sheet.decals);
  byId("decal-row").hidden = decals.length === 0;
  options(byId("decal"), decals.map(([name, { label, panel }]) => [name, `${label} (${panel})`]), byId("decal").value);
  const decal = photo.decals[byId("decal").value];
  byId("decal-said").textContent = decal && decal.answer && decal.answer.measure
    ? `Measured: ${decal.answer.measure.value} ± ${decal.answer.measure.uncertainty} mm off its place.` : "";
  const heat = s && s.heat ? `/heat/${s.sha256}/${s.cue}` : null;
  byId("heat").disabled = !heat;
  byId("heat").setAttribute("aria-pressed", String(Boolean(heat) && large.heat));
  if (heat && large.heat) byId("view-heat").setAttribute("href", heat);
  else byId("view-heat").removeAttribute("href");
  byId("drawing").hidden = large.mode === null;
  byId("pass").hidden = byId("back").hidden = large.mode !== "decal";
  stage.classList.toggle("is-drawing", large.mode !== null);
  byId("position").textContent = s ? `${sheet.sightings.indexOf(s) + 1} of ${sheet.sightings.length}` : "";
  byId("previous").disabled = byId("next").disabled = sheet.sightings.length === 0;
  showMarks();
}

function options(select, entries, value) {
  const wanted = JSON.stringify(entries);
  if (select.dataset.entries !== wanted) {
    select.dataset.entries = wanted;
    select.replaceChildren(...entries.map(([name, label]) => el("option", { value: name }, label)));
  }
  if (value !== "" || entries.some(([name]) => name === "")) select.value = value;
}

function step(by) {
  if (!sheet.sightings.length) return;
  const from = large.sighting ? sheet.sightings.indexOf(large.sighting) : by > 0 ? -1 : sheet.sightings.length;
  const to = sheet.sightings[from + by];
  if (!to) return say(by > 0 ? "This is the last sighting of the sheet." : "This is the first sighting of the sheet.");
  open(to.sha256, to);
}

function toggleHeat() {
  if (byId("heat").disabled) return say("No heat was kept for this sighting.");
  large.heat = !large.heat;
  showLarge();
}

function withdraw() {
  if (large.sighting && large.sighting.origin === "reader") {
    const s = large.sighting;
    give(s, { verdict: "withdrawn", cause: null }).then(load);
  }
}

function setShot(shot) {
  const photo = sheet.photos[large.sha256];
  if (shot) put(photo.shot, large.sha256, "shot", { kind: "shot", shot }, `${photo.name}: ${words.shots[shot]}.`);
}

function setThrough() {
  const photo = sheet.photos[large.sha256];
  if (photo.looked_through.answer) return say("Already said; undo takes it back.");
  put(photo.looked_through, large.sha256, "looked_through", { kind: "looked_through" }, `${photo.name}: nothing else is there.`);
}

// --- drawing: a box, or the points of a decal ------------------------------------------------------------------------

function leaveMode() {
  large.mode = large.draft = large.decal = null;
}

function startBox(isNew) {
  if (!isNew && !large.sighting) return say("Choose a sighting first, or mark a missed sign.");
  const photo = sheet.photos[large.sha256];
  const size = Math.max(8, Math.round(Math.min(120 / large.view.scale, photo.width / 2, photo.height / 2)));
  const middle = { x: Math.round(large.view.x - size / 2), y: Math.round(large.view.y - size / 2), width: size, height: size };
  large.mode = "box";
  large.isNew = isNew;
  large.draft = inside(isNew ? middle : { ...contentOf(large.sighting).box });
  showLarge();
  byId("hint").textContent = "Draw the box, or move it with the arrows (with Shift: its size). Enter keeps it, Esc does not.";
  stage.focus();
}

function inside(box) {
  const photo = sheet.photos[large.sha256];
  const width = Math.min(Math.max(Math.round(box.width), 2), photo.width);
  const height = Math.min(Math.max(Math.round(box.height), 2), photo.height);
  return {
    x: Math.min(Math.max(Math.round(box.x), 0), photo.width - width),
    y: Math.min(Math.max(Math.round(box.y), 0), photo.height - height), width, height,
  };
}

function keepBox() {
  const box = large.draft;
  const isNew = large.isNew;
  leaveMode();
  byId("hint").textContent = "";
  if (!isNew) {
    const verdict = contentOf(large.sighting).verdict;
    give(large.sighting, { box, verdict });
    return stage.focus();
  }
  const zone = words.zones[sheet.zone] ? sheet.zone : null;
  const cue = Object.keys(words.cues).find((name) => words.cues[name].zones.includes(zone)) || Object.keys(words.cues)[0];
  const item = `added ${hex()}`;
  const sha256 = large.sha256;
  const content = { kind: "mark", verdict: "sign", cue, cause: null, box, zone, side: null };
  const entry = { answer: null, version: 0 };
  put(entry, sha256, item, content, `Sign marked in ${sheet.photos[sha256].name}. Say which cue it is.`).then(async () => {
    if (!entry.version) return;
    await load();
    const added = sheet.sightings.find((s) => s.item === item);
    if (added && large.open) {
      open(sha256, added);
      byId("hint").textContent = "Marked as a sign. Say which cue it is, and which side.";
      byId("cue").focus();
    }
  });
}

function startDecal() {
  const name = byId("decal").value;
  if (!name) return say("The build sheet of this advert knows no decal.");
  large.mode = "decal";
  const found = sheet.photos[large.sha256].decals[name].found;
  large.decal = { name, points: { ...found }, corners: [], passed: [], isFound: Object.keys(found).length > 0 };
  large.cross = { x: Math.round(large.view.x), y: Math.round(large.view.y) };
  askPoint();
  showLarge();
  stage.focus();
}

const CORNERS = ["lower left", "lower right", "upper right", "upper left"];
function nextPoint() {
  const { name, points, passed, isFound } = large.decal;
  return isFound ? undefined : sheet.decals[name].points.find((point) => !(point in points) && !passed.includes(point));
}

function askPoint() {
  const point = nextPoint();
  const corner = CORNERS[large.decal.corners.length];
  const placed = Object.keys(large.decal.points).length;
  byId("hint").textContent = point
    ? `${sheet.decals[large.decal.name].panel}: click its ${point.replaceAll("_", " ")} (${placed} placed, four are needed), or pass with K.`
    : `${large.decal.isFound && !large.decal.corners.length ? `${placed} heads of the panel were found; if their marks are off, press Backspace and click points instead. ` : ""}`
      + `Decal: click its ${corner} corner${large.decal.corners.length ? ", or pass with K" : ""}.`;
}

function setPoint(at) {
  const point = nextPoint();
  const place = [Math.round(at.x * 10) / 10, Math.round(at.y * 10) / 10];
  if (point) large.decal.points[point] = place;
  else large.decal.corners.push(place);
  if (large.decal.corners.length === CORNERS.length) return finishDecal();
  askPoint();
  showMarks();
}

function passPoint() {
  const point = nextPoint();
  if (point) large.decal.passed.push(point);
  else if (large.decal.corners.length) return finishDecal();
  askPoint();
}

function backPoint() {
  const { points, corners, passed } = large.decal;
  if (corners.length) corners.pop();
  else if (large.decal.isFound) Object.assign(large.decal, { points: {}, isFound: false });
  else if (passed.length && nextPoint() === undefined) passed.pop();
  else {
    const last = Object.keys(points).pop();
    if (last) delete points[last];
    else passed.pop();
  }
  askPoint();
  showMarks();
}

function finishDecal() {
  const { name, points, corners } = large.decal;
  const photo = sheet.photos[large.sha256];
  leaveMode();
  const content = { kind: "decal", decal: name, points, corners };
  put(photo.decals[name], large.sha256, `decal ${name}`, content, "Decal placed.");
}

function stopMode() {
  leaveMode();
  byId("hint").textContent = "";
  showLarge();
}

// --- pointer ---------------------------------------------------------------------------------------------------------

const pointers = new Map();
let start = null; // where a drag began, in photo pixels
let moved = false;

stage.addEventListener("pointerdown", (event) => {
  if (event.button !== 0) return;
  stage.setPointerCapture(event.pointerId);
  pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  start = photoPoint(event);
  moved = false;
});

stage.addEventListener("pointermove", (event) => {
  const before = pointers.get(event.pointerId);
  if (!before) return;
  const now = { x: event.clientX, y: event.clientY };
  if (Math.hypot(now.x - before.x, now.y - before.y) > 1) moved = true;
  if (pointers.size === 2) { // two fingers zoom
    const [other] = [...pointers].filter(([id]) => id !== event.pointerId).map(([, place]) => place);
    const span = (place) => Math.hypot(place.x - other.x, place.y - other.y) || 1;
    zoom(span(now) / span(before), photoPoint({ clientX: (now.x + other.x) / 2, clientY: (now.y + other.y) / 2 }));
  } else if (large.mode === "box") {
    const end = photoPoint(event);
    large.draft = inside({ x: Math.min(start.x, end.x), y: Math.min(start.y, end.y), width: Math.abs(end.x - start.x), height: Math.abs(end.y - start.y) });
    showMarks();
  } else {
    pan(before.x - now.x, before.y - now.y);
  }
  pointers.set(event.pointerId, now);
});

for (const name of ["pointerup", "pointercancel"]) {
  stage.addEventListener(name, (event) => {
    const known = pointers.delete(event.pointerId);
    if (known && name === "pointerup" && !moved && large.mode === "decal") {
      large.cross = photoPoint(event);
      setPoint(large.cross);
    }
  });
}

stage.addEventListener("wheel", (event) => {
  event.preventDefault();
  zoom(Math.exp(-event.deltaY / 400), photoPoint(event));
}, { passive: false });

new ResizeObserver(() => { if (large.open) showView(); }).observe(stage);

// --- keys ------------------------------------------------------------------------------------------------------------

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

const SHEET_KEYS = {
  s: () => answerHere("sign"),
  i: () => answerHere("innocent"),
  c: () => answerHere("cannot_tell"),
  q: () => { openHere(); if (large.sighting) byId("cue").focus(); },
  m: () => { openHere(); if (large.open) startBox(true); },
  u: undo,
  n: () => go(1),
  p: () => go(-1),
  "?": () => byId("keys").showModal(),
};

const LARGE_KEYS = {
  s: () => answer(large.sighting, "sign"),
  i: () => answer(large.sighting, "innocent"),
  c: () => answer(large.sighting, "cannot_tell"),
  q: () => byId("cue").focus(),
  z: () => byId("zone").focus(),
  t: () => byId("shot").focus(),
  l: () => setSide("left"),
  r: () => setSide("right"),
  x: () => setSide(null),
  b: () => startBox(false),
  m: () => startBox(true),
  a: setThrough,
  d: startDecal,
  h: toggleHeat,
  f: () => fit(large.sighting ? contentOf(large.sighting).box : null),
  0: () => fit(null),
  "+": () => zoom(1.25),
  "=": () => zoom(1.25),
  "-": () => zoom(0.8),
  n: () => step(1),
  p: () => step(-1),
  u: undo,
  Delete: withdraw,
  "?": () => byId("keys").showModal(),
};

function answerHere(verdict) {
  const s = sheet.sightings[current];
  if (!s) return say("There is no sighting on this sheet.");
  answer(s, verdict);
  if (verdict !== "innocent") advance();
}

// On to the next open one, so that a sheet can be answered without moving about.
function advance() {
  const next = sheet.sightings.findIndex((s, index) => index > current && !contentOf(s).verdict);
  if (next >= 0) choose(next);
}

function openHere() {
  const s = sheet.sightings[current];
  if (s) return open(s.sha256, s);
  const [first] = Object.keys(sheet.photos);
  if (first) open(first, null);
}

function setSide(side) {
  const s = large.sighting;
  if (!s) return say("Choose a sighting first, or mark one.");
  const { zone } = contentOf(s);
  if (zone === null || !words.zones[zone].sided) return say("This place has no sides.");
  give(s, { side });
}

function modeKey(event) {
  const arrow = ARROWS[event.key];
  const pixels = Math.max(1, Math.round((event.shiftKey && large.mode === "decal" ? 40 : 8) / large.view.scale));
  if (arrow) {
    const [across, down] = arrow.map((direction) => direction * pixels);
    if (large.mode === "decal") {
      large.cross = { x: large.cross.x + across, y: large.cross.y + down };
      showMarks();
      return true;
    }
    const { x, y, width, height } = large.draft;
    large.draft = inside(event.shiftKey ? { x, y, width: width + across, height: height + down } : { x: x + across, y: y + down, width, height });
    showMarks();
    return true;
  }
  if (event.key === "Enter") return large.mode === "box" ? (keepBox(), true) : (setPoint(large.cross), true);
  if (event.key === "+" || event.key === "=") return zoom(1.25), true;
  if (event.key === "-") return zoom(0.8), true;
  if (large.mode === "decal" && event.key.toLowerCase() === "k") return passPoint(), true;
  if (large.mode === "decal" && event.key === "Backspace") return backPoint(), true;
  return event.key !== "Tab" && event.key !== "Escape" && event.key !== " ";
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  // A box to tick takes no letters. One keeps the focus for a moment after the dialog that holds it has closed.
  if (event.target.closest("select, input:not([type=checkbox]), textarea")) return;
  const isEnterOnButton = (event.key === "Enter" || event.key === " ") && event.target.closest("button, a, summary");
  if (byId("keys").open) return;
  if (byId("causes").open) {
    const cause = Object.keys(words.causes)[Number(event.key) - 1];
    if (cause && keysAreOn()) {
      event.preventDefault();
      giveCause(cause);
      if (!large.open) advance();
    }
    return;
  }
  if (isEnterOnButton) return;
  if (large.open && large.mode !== null) {
    if (modeKey(event)) event.preventDefault();
    return;
  }
  if (event.key in ARROWS) {
    if (large.open) pan(...ARROWS[event.key].map((direction) => direction * 80));
    else if (sheet.sightings.length && (event.target === document.body || event.target.closest(".sighting"))) choose(neighbour(event.key));
    else return;
    event.preventDefault();
    return;
  }
  if (!keysAreOn()) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const action = (large.open ? LARGE_KEYS : SHEET_KEYS)[key];
  if (action) {
    event.preventDefault();
    action();
  }
});

function keysAreOn() {
  return localStorage.getItem(KEYS_OFF) === null;
}

// --- buttons ---------------------------------------------------------------------------------------------------------

const PRESSED = {
  undo, help: () => byId("keys").showModal(), close: () => large.dialog.close(), mend: () => startBox(false),
  withdraw, missed: () => startBox(true), through: setThrough, measure: startDecal, "zoom-in": () => zoom(1.25),
  "zoom-out": () => zoom(0.8), whole: () => fit(null), place: LARGE_KEYS.f, heat: toggleHeat,
  keep: () => (large.mode === "box" ? keepBox() : setPoint(large.cross)), pass: passPoint, back: backPoint, stop: stopMode,
  previous: () => step(-1), next: () => step(1),
};
for (const [id, action] of Object.entries(PRESSED)) byId(id).addEventListener("click", () => action());
for (const button of byId("large-answers").children) button.addEventListener("click", () => answer(large.sighting, button.dataset.verdict));
for (const button of byId("sides").children) button.addEventListener("click", () => setSide(button.dataset.side || null));
for (const button of document.querySelectorAll("[data-close]")) button.addEventListener("click", () => button.closest("dialog").close());
// another cue given to something that was seen: it is a sign of that cue
byId("cue").addEventListener("change", (event) => give(large.sighting, { cue: event.target.value, verdict: "sign", cause: null }));
byId("zone").addEventListener("change", (event) => give(large.sighting, { zone: event.target.value || null }));
byId("shot").addEventListener("change", (event) => setShot(event.target.value));
byId("decal").addEventListener("change", showLarge);
// A list that keeps the focus takes the next letter for a choice, and "N" for next would give another cue. So it hands
// the focus back once something was picked by pointer, or Enter was struck; arrow keys choose on in it.
let byPointer = false;
document.addEventListener("pointerdown", () => { byPointer = true; }, true);
document.addEventListener("keydown", () => { byPointer = false; }, true);
for (const list of ["cue", "zone", "shot", "decal"].map(byId)) {
  list.addEventListener("change", () => { if (byPointer) stage.focus(); });
  list.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault(); // else it opens the list; Space does
    stage.focus();
  });
}
byId("keys-on").checked = keysAreOn();
byId("keys-on").addEventListener("change", (event) => {
  if (event.target.checked) localStorage.removeItem(KEYS_OFF);
  else localStorage.setItem(KEYS_OFF, "1");
});
large.dialog.addEventListener("cancel", (event) => {
  if (large.mode !== null) {
    event.preventDefault();
    stopMode();
  }
});
large.dialog.addEventListener("close", () => {
  leaveMode();
  large.open = false;
  byId("view-photo").removeAttribute("href");
  choose(current);
});
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && waiting === 0) load().catch(() => {});
});
window.addEventListener("beforeunload", (event) => {
  if (waiting > 0) event.preventDefault();
});

build();
if (sheet.status.behind) watch();
