import { by, connect, fill, make, put, showAhead, showCard, showHeard, showInside, showTotals, showUps, standing, words } from "/common.js";

const back = by("back");

// The check-back is as large as it fits; below the floor it is still read from nearer.
function fit() {
  back.classList.remove("small", "smaller", "smallest");
  for (const size of ["small", "smaller", "smallest"]) {
    if (back.scrollHeight <= back.clientHeight + 2 && back.scrollWidth <= back.clientWidth + 2) return;
    back.classList.remove("small", "smaller");
    back.classList.add(size);
  }
}

let fitted;

// Whether an item wants something of somebody.
const calls = (item) => item.dataset.due === "true" || Boolean(item.dataset.step);

// What has no room is counted instead of cut off, and marked if something is due among it.
function trim(list) {
  list.querySelector(".more")?.remove();
  const items = [...list.children];
  for (const each of items) each.hidden = false;
  // the first stays, whatever it needs
  const going = items.slice(1).reverse();
  const more = make(list.tagName === "DIV" ? "p" : "li", "", "more");
  for (let gone = 1; gone <= going.length && list.scrollHeight > list.clientHeight + 1; gone++) {
    going[gone - 1].hidden = true;
    const due = going.slice(0, gone).some(calls);
    more.dataset.due = String(due);
    more.textContent = `${due ? "! " : ""}${fill(words.say.more, gone)}`;
    list.append(more);
  }
}

function trimAll() {
  for (const name of ["ahead", "totals", "inside", "lines"]) trim(by(name));
}

function showLines(lines) {
  by("lines").replaceChildren(
    ...[...lines].reverse().map((line) => {
      const item = make("li");
      item.dataset.standing = line.standing;
      item.append(make("time", line.time.slice(0, 5)), make("span", line.text || line.words));
      const said = standing(line);
      if (said) item.append(make("em", said));
      return item;
    }),
  );
}

connect((board) => {
  showHeard(board.heard);
  if (back.dataset.said !== fitted) {
    fitted = back.dataset.said;
    fit();
  }
  showUps(board.up, board.clocks);
  showAhead(board.ahead, board.clocks);
  showTotals(board.totals);
  // what went in last is what somebody asks for
  showInside([...board.inside].reverse(), board.implants);
  showLines(board.lines);
  showCard(board.card);
  trimAll();
});
window.addEventListener("resize", () => {
  fit();
  trimAll();
});
