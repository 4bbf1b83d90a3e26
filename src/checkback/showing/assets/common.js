// What both pages share: the connection, how the room is, times that run, and safe ways to put text.

export const words = JSON.parse(document.body.dataset.words);
const LOST_MS = 2500;
const ANEW_MS = 6000;
const STALE_S = 15;

export const by = (id) => document.getElementById(id);

// A word with its blank filled in; each has one at most.
export const fill = (template, value) => template.replace(/\{\w+\}/, () => String(value));

// All text goes through here: as text, never as markup, and only when it changed.
export function put(element, text) {
  const said = text ?? "";
  if (element.textContent !== said) element.textContent = said;
}

export function make(tag, text, kind) {
  const element = document.createElement(tag);
  if (text !== undefined) element.textContent = text;
  if (kind) element.className = kind;
  return element;
}

export function span(seconds) {
  const whole = Math.max(0, Math.floor(seconds));
  const two = (n) => String(n).padStart(2, "0");
  if (whole < 60) return `${whole} s`;
  if (whole < 3600) return `${Math.floor(whole / 60)}:${two(whole % 60)} min`;
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)} h`;
}

// From two minutes on the seconds only make it slower to read.
const roughly = (seconds) => (seconds < 120 ? span(seconds) : seconds < 3600 ? `${Math.floor(seconds / 60)} min` : span(seconds));

// --- times that run: the page counts by itself, from the age that came with the board ---

const running = new Map();
let frozenAt = null;

export function run(element, ageS, write) {
  running.set(element, { since: base - ageS * 1000, write });
  tick(element, running.get(element));
}

export function stop(element) {
  running.delete(element);
}

function tick(element, clock) {
  const seconds = ((frozenAt ?? performance.now()) - clock.since) / 1000;
  putBig(element, clock.write(seconds));
}

// A number with its unit, which may stand smaller beside it.
export function putBig(element, text) {
  const at = element.dataset.unit === undefined ? -1 : text.lastIndexOf(" ");
  put(element, at < 0 ? text : text.slice(0, at));
  if (at >= 0) element.dataset.unit = text.slice(at);
}

function tickAll() {
  for (const [element, clock] of running) {
    if (element.isConnected) tick(element, clock);
    else running.delete(element);
  }
}

// --- the connection ---

let base = performance.now();
let heardAt = performance.now();
let wallOffset = null;
let source = null;
let board = null;
let ended = false;
let stale = false;
let openedAt = 0;

export function connect(render) {
  const open = () => {
    if (source) source.close();
    openedAt = performance.now();
    source = new EventSource("/events");
    source.addEventListener("board", (event) => {
      const told = JSON.parse(event.data);
      alive();
      stale = false;
      ended = told.board.room.state === "ended";
      base = performance.now() - told.lag_s * 1000;
      board = told.board;
      const wall = /T(\d\d):(\d\d):(\d\d)(?:\.(\d+))?/.exec(board.wall);
      const ms = ((+wall[1] * 60 + +wall[2]) * 60 + +wall[3]) * 1000;
      wallOffset = ms - base;
      put(by("case"), board.case);
      put(by("notice"), words.trouble[board.room.trouble] ?? board.notice);
      render(board);
      look();
    });
    source.addEventListener("beat", (event) => {
      alive();
      // the connection lives, and nothing new is made: the board comes anew every five seconds else
      stale = JSON.parse(event.data).age_s > STALE_S;
      look();
    });
    source.addEventListener("level", (event) => {
      alive();
      showLevel(JSON.parse(event.data));
    });
    source.addEventListener("bye", () => { ended = true; look(); });
  };
  open();
  setInterval(() => {
    const quiet = performance.now() - heardAt;
    // a connection that hangs gives no error: it is opened anew
    if (quiet > LOST_MS && performance.now() - openedAt > ANEW_MS) open();
    look();
    tickAll();
  }, 200);
}

// --- how loud the microphone hears ---

// Who wants little motion sees the loudest of each second; everyone else what comes, four times a second at most.
const still = matchMedia("(prefers-reduced-motion: reduce)");
const CALM_MS = 1000;
let level = null;
let held = null;
let calm = null;

function showLevel(now) {
  if (!still.matches || now === null) {
    level = now;
    drawLevel();
    return;
  }
  held = Math.max(held ?? 0, now);
  calm ??= setTimeout(() => {
    [level, held, calm] = [held, null, null];
    drawLevel();
  }, CALM_MS);
}

function drawLevel() {
  const meter = by("meter");
  // a form that says what is old is not drawn
  meter.toggleAttribute("hidden", level === null || frozenAt !== null);
  meter.setAttribute("aria-valuenow", String(level ?? 0));
  [...meter.children].forEach((step, i) => step.classList.toggle("lit", i < (level ?? 0)));
}

function alive() {
  heardAt = performance.now();
}

function look() {
  const quiet = performance.now() - heardAt;
  let state = board ? board.room.state : "starting";
  let hint = board && board.room.held ? words.hint.held : words.hint[state];
  if (stale) [state, hint] = ["failed", words.hint.failed];
  if (quiet > LOST_MS) {
    state = "lost";
    hint = `${fill(words.say.old_since, span(quiet / 1000))} – ${words.hint.lost}`;
  }
  if (ended) [state, hint] = ["ended", words.hint.ended];
  const old = ["lost", "ended", "failed"].includes(state);
  // what is old must not look as if it went on
  if (old && frozenAt === null) frozenAt = heardAt;
  if (!old) frozenAt = null;
  document.documentElement.dataset.old = String(old);
  by("state").dataset.state = state;
  drawLevel();
  put(by("state-word"), words.state[state]);
  put(by("state-hint"), hint);
  if (wallOffset !== null) {
    const s = Math.floor((wallOffset + performance.now()) / 1000);
    const two = (n) => String(n).padStart(2, "0");
    put(by("clock"), `${two(Math.floor(s / 3600) % 24)}:${two(Math.floor(s / 60) % 60)}`);
  }
}

// --- areas that stand on both pages ---

export function showHeard(heard) {
  const area = by("heard");
  if (!heard) return;
  area.dataset.result = heard.result;
  put(by("heard-result"), words.result[heard.result]);
  const said = heard.options.length ? heard.options.map((each, i) => `${i + 1}: ${each}`) : [heard.back];
  const back = by("back");
  if (back.dataset.said !== said.join("\n")) {
    back.dataset.said = said.join("\n");
    back.replaceChildren(...said.map((each) => make("span", each)));
  }
  put(by("heard-words"), heard.words ? `“${heard.words}”` : words.say.pedal);
  run(by("heard-age"), heard.age_s, (s) => (s < 3 ? words.say.now : fill(words.say.ago, span(s))));
}

export function showUps(ups, clocks) {
  const list = by("up-list");
  const all = clocks.find((each) => each.key === "inflated");
  put(by("up-all"), all ? `${words.clock.inflated}: ${all.text}` : "");
  const known = new Map([...list.children].map((each) => [each.dataset.number, each]));
  if (!ups.length) {
    if (!list.querySelector(".none")) list.replaceChildren(make("p", words.say.nothing_up, "none"));
    return;
  }
  list.dataset.count = ups.length;
  const cards = ups.map((up) => {
    let card = known.get(String(up.number));
    if (!card) {
      card = make("div", undefined, "balloon");
      card.dataset.number = up.number;
      for (const kind of ["seconds", "pressure", "device", "rated"]) card.append(make("p", "", kind));
    }
    const [seconds, pressure, device, rated] = card.children;
    seconds.dataset.unit ??= "";
    card.dataset.above = up.above_rated;
    run(seconds, up.age_s, (s) => (frozenAt === null ? span(s) : fill(words.say.was, span(s))));
    if (up.pressure) pressure.dataset.unit = "";
    else delete pressure.dataset.unit;
    putBig(pressure, up.pressure || words.say.no_pressure);
    pressure.dataset.known = String(Boolean(up.pressure));
    put(device, up.device);
    put(rated, up.rated ? fill(up.above_rated ? words.say.above_rated : words.say.rated, up.rated) : "");
    return card;
  });
  list.replaceChildren(...cards);
}

export function showAhead(ahead, clocks) {
  const items = ahead.map((each) => {
    const item = make("li");
    item.dataset.due = String(each.in_s === null || each.in_s <= 0);
    const when = make("b", "");
    const name = make("span", each.in_s === null ? each.text : words.due[each.rule] ?? each.text);
    if (each.in_s === null) {
      when.textContent = "!";
    } else {
      run(when, -each.in_s, (s) =>
        s < 0 ? fill(words.say.in, roughly(-s)) : s < 60 ? words.say.due : fill(words.say.due_since, roughly(s)),
      );
    }
    item.append(when, name);
    if (each.in_s === null || each.in_s <= 0) item.append(make("small", `${each.source} · ${words.page.check}`, "source"));
    return item;
  });
  if (!items.length) items.push(make("li", words.say.nothing_ahead, "none"));
  by("ahead").replaceChildren(...items);
  by("clocks").replaceChildren(
    ...clocks.filter((each) => each.key !== "inflated").map((each) => {
      const item = make("li");
      const value = make("b", each.text);
      if (each.age_s !== null) run(value, each.age_s, span);
      item.append(value, make("span", words.clock[each.key]));
      return item;
    }),
  );
}

export function showTotals(totals) {
  by("totals").replaceChildren(
    ...totals.map((total) => {
      const row = make("div", undefined, "total");
      row.dataset.step = total.step;
      row.dataset.key = total.key;
      row.append(make("h3", words.total[total.key]));
      row.append(make("b", total.text || words.say.nothing_given, total.text ? "" : "none"));
      row.append(make("span", total.source && total.against ? fill(words.limit[total.key], total.against) : total.against));
      if (total.step) {
        const said = total.key === "act" ? words.say.below : total.share === null ? words.say.level_reached : words.say[total.step];
        row.append(make("em", said));
      }
      if (total.share !== null) row.append(bar(total.share));
      return row;
    }),
  );
  // where a limit stands its source stands too
  const sources = new Map();
  for (const each of totals) {
    if (each.source && each.against) sources.set(each.source, [...(sources.get(each.source) ?? []), words.total[each.key]]);
  }
  const told = [...sources].map(([source, names]) => `${names.join(", ")}: ${source}`);
  put(by("sources"), told.length ? `${told.join(". ")}. ${words.page.check}` : "");
}

function bar(share) {
  const drawn = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  drawn.setAttribute("viewBox", "0 0 100 6");
  drawn.setAttribute("preserveAspectRatio", "none");
  drawn.setAttribute("class", "bar");
  drawn.setAttribute("aria-hidden", "true");
  for (const [kind, width] of [["all", 100], ["used", Math.min(1, share) * 100]]) {
    const part = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    part.setAttribute("width", String(width));
    part.setAttribute("height", "6");
    part.setAttribute("class", kind);
    drawn.append(part);
  }
  return drawn;
}

export function showInside(inside, implants) {
  const items = inside.map((each) => {
    const item = make("li", each.device);
    if (each.notes.length) item.append(make("em", ` ${each.notes.join(", ")}`));
    return item;
  });
  if (!items.length) items.push(make("li", words.say.nothing_inside, "none"));
  for (const each of implants) {
    const item = make("li", undefined, "stays");
    item.append(fill(words.say.implants, each));
    items.push(item);
  }
  by("inside").replaceChildren(...items);
}

export function showCard(card) {
  by("card").hidden = !card;
  document.documentElement.dataset.card = String(Boolean(card));
  if (!card) return;
  put(by("card-title"), `${words.area.card}: ${card.title}`);
  const question = card.question ? ` – ${words.say.card_question}` : "";
  put(by("card-line"), card.line ? card.line + question : words.say.card_end);
  put(by("card-caution"), card.caution);
  put(by("card-source"), [card.source, card.signature].filter(Boolean).join(" · "));
}

export function standing(line) {
  if (line.standing === "withdrawn") return fill(words.say.withdrawn_by, line.by);
  if (line.standing === "amended") return fill(words.say.replaced_by, line.by);
  if (line.standing === "questioned") return words.say.questioned;
  return "";
}
