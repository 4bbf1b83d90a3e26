import { by, connect, fill, make, put, showAhead, showCard, showHeard, showInside, showTotals, showUps, standing, words } from "/common.js";

const field = by("line");
const history = [];
let place = 0;

// what the server says is for those who look at it without the page
const REFUSED = { 400: words.say.too_long, 401: words.say.no_token, 403: words.say.read_only, 429: words.say.too_many };

async function say(text) {
  try {
    const answer = await fetch("/say", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ text }),
    });
    put(by("sent"), answer.ok ? `${words.say.sent}: ${text}` : `${words.say.not_sent}: ${REFUSED[answer.status] ?? answer.status}`);
    return answer.ok;
  } catch {
    put(by("sent"), `${words.say.not_sent}: ${words.state.lost}`);
    return false;
  }
}

by("form").addEventListener("submit", async (event) => {
  event.preventDefault();
  const text = field.value.trim();
  if (!text) return;
  history.push(text);
  place = history.length;
  // what was not taken stays in the field
  if (await say(text)) field.value = "";
});

field.addEventListener("keydown", (event) => {
  const step = { ArrowUp: -1, ArrowDown: 1 }[event.key];
  if (!step || !history.length) return;
  event.preventDefault();
  place = Math.min(history.length, Math.max(0, place + step));
  field.value = history[place] ?? "";
});

function begin(text) {
  field.value = text;
  field.focus();
  field.setSelectionRange(text.length, text.length);
}

function button(text, act, kind) {
  const made = make("button", text, kind);
  made.type = "button";
  made.addEventListener("click", act);
  return made;
}

// --- the log: only what changed is asked for ---

let revision = 0;
let asking = false;
let wanted = 0;
const items = new Map();

async function follow(newest) {
  wanted = newest;
  if (asking || newest === revision) return;
  asking = true;
  try {
    const answer = await fetch(`/log?since=${newest < revision ? 0 : revision}`);
    if (answer.ok) {
      const told = await answer.json();
      if (told.revision < revision) {
        // another program serves now
        items.clear();
        by("log").replaceChildren();
      }
      for (const line of told.lines) showLine(line);
      revision = told.revision;
    }
  } catch {
    // the state says that there is no connection
  } finally {
    asking = false;
  }
  if (wanted !== revision) setTimeout(() => follow(wanted), 300);
}

function showLine(line) {
  const item = make("li");
  item.value = line.n;
  item.dataset.n = line.n;
  item.dataset.standing = line.standing;
  item.append(make("b", String(line.n), "n"), make("time", line.time));
  const what = make("div", undefined, "what");
  what.append(make("span", line.text || "–", "text"));
  const notes = [standing(line)];
  if (line.amends) notes.push(fill(words.say.replaces, line.amends));
  if (line.takes_back) notes.push(fill(words.say.takes_back, line.takes_back));
  if (line.standing === "questioned" && line.asked) notes.push(line.asked);
  if (line.words) notes.push(`“${line.words}”`);
  const note = notes.filter(Boolean).join(" · ");
  if (note) what.append(make("small", note));
  item.append(what);
  if (line.mine && writing) {
    const does = make("div", undefined, "does");
    does.append(button(words.say.correct, () => begin(fill(words.dialogue.correct, line.n))));
    const away = button(words.say.disregard, () => {
      if (away.dataset.sure) {
        say(fill(words.dialogue.disregard, line.n));
        return;
      }
      away.dataset.sure = "yes";
      away.textContent = words.say.really;
      setTimeout(() => {
        delete away.dataset.sure;
        away.textContent = words.say.disregard;
      }, 4000);
    });
    does.append(away);
    for (const each of does.children) each.setAttribute("aria-label", `${each.textContent}: ${fill(words.say.entry, line.n)}`);
    item.append(does);
  }
  const old = items.get(line.n);
  items.set(line.n, item);
  if (old) old.replaceWith(item);
  else by("log").prepend(item);
}

// --- what is to be answered ---

let writing = false;
let shown = "";

function showQuestions(questions, lacking) {
  const now = JSON.stringify([questions, lacking, writing]);
  // buttons under a finger or with the focus are not made anew
  if (now === shown) return;
  shown = now;
  by("questions").replaceChildren(
    ...questions.map((each) => {
      const box = make("div", undefined, "question");
      box.append(make("p", `${fill(words.say.entry, each.n)}: ${each.asked}`));
      if (each.words) box.append(make("small", `“${each.words}”`));
      if (writing) {
        const does = make("div", undefined, "does");
        if (each.open && each.options.length > 1) {
          each.options.forEach((option, i) => {
            does.append(button(`${i + 1} · ${option}`, () => say(fill(words.dialogue.option, i + 1)), "choice"));
          });
        } else if (each.open && each.options.length === 1) {
          does.append(button(`${words.say.affirm} · ${each.options[0]}`, () => say(words.dialogue.affirm), "choice"));
        }
        if (each.open && each.options.length) does.append(button(words.say.negative, () => say(words.dialogue.negative)));
        else {
          does.append(button(words.say.correct, () => begin(fill(words.dialogue.correct, each.n))));
          does.append(button(words.say.disregard, () => say(fill(words.dialogue.disregard, each.n))));
        }
        box.append(does);
      }
      return box;
    }),
  );
  if (!questions.length) by("questions").append(make("p", words.say.no_questions, "none"));
  by("lacking").replaceChildren(
    ...lacking.map((each) =>
      writing && words.begin[each.key] ? button(each.name, () => begin(words.begin[each.key])) : make("span", each.name),
    ),
  );
  if (!lacking.length) by("lacking").append(make("p", words.say.no_lacking, "none"));
}

// --- the phrase card ---

let phrases = null;

by("phrases").addEventListener("toggle", async () => {
  if (phrases) return;
  phrases = await (await fetch("/phrases")).json();
  find("");
});
by("find").addEventListener("input", (event) => find(event.target.value));

function find(text) {
  const asked = text.trim().toLowerCase();
  const found = [];
  let group = [];
  const close = () => {
    if (group.length && (!asked || group.some(([kind, said]) => kind !== "part" && said.toLowerCase().includes(asked)))) found.push(...group);
    group = [];
  };
  for (const [kind, said] of phrases ?? []) {
    if (kind === "family" || kind === "part") close();
    group.push([kind, said]);
  }
  close();
  by("phrase-list").replaceChildren(
    ...found.map(([kind, said]) => make({ part: "h3", family: "h4" }[kind] ?? "p", said, kind)),
  );
}

connect((board) => {
  if (writing !== board.typing) {
    writing = board.typing;
    field.disabled = by("form").querySelector("button").disabled = !writing;
    if (!writing) put(by("sent"), words.say.read_only);
  }
  showHeard(board.heard);
  showUps(board.up, board.clocks);
  showAhead(board.ahead, board.clocks);
  showTotals(board.totals);
  showInside(board.inside, board.implants);
  showCard(board.card);
  showQuestions(board.questions, board.lacking);
  follow(board.revision);
});
field.focus();
