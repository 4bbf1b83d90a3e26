const words = JSON.parse(document.body.dataset.words);
const field = document.getElementById("token");
const said = document.getElementById("said");

async function enter() {
  const answer = await fetch("/enter", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ token: field.value }),
  });
  if (answer.ok) location.replace("/");
  else said.textContent = answer.status === 429 ? words.enter.busy : words.enter.wrong;
}

document.getElementById("form").addEventListener("submit", (event) => {
  event.preventDefault();
  enter();
});
// behind the # an address carries it without sending it to anyone
if (location.hash.length > 1) {
  field.value = decodeURIComponent(location.hash.slice(1));
  history.replaceState(null, "", "/enter");
  enter();
}
field.focus();
