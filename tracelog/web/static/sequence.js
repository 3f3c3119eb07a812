// Cans tapped one after another without a way to the server and back. Without this module each tap
// sends the form, and the page comes back with one can more.

const NAMES = { g: "good", b: "bad", "?": "unseen" };

const pad = document.querySelector(".sequence-pad");
if (pad) {
  const row = pad.querySelector("#field-cans");
  const shown = pad.querySelector("#cans-taken");
  const count = pad.querySelector("#cans-count");
  const most = Number(pad.dataset.most);

  const letters = () => [...row.value.toLowerCase()].filter((sign) => sign in NAMES);

  // Each can that was tapped turns over: good, bad, not looked at, good.
  const turned = { g: "b", b: "?", "?": "g" };

  function can(letter, place) {
    const item = document.createElement("li");
    item.className = `can-taken is-${NAMES[letter]}`;
    const button = document.createElement("button");
    button.type = "button";
    button.setAttribute("aria-label", `${place + 1}: ${shown.dataset[NAMES[letter]]}`);
    button.addEventListener("click", () => {
      const now = letters();
      now[place] = turned[now[place]];
      row.value = now.join("");
      show();
      shown.children[place].firstChild.focus();
    });
    item.append(button);
    return item;
  }

  function show() {
    const now = letters();
    shown.replaceChildren(...now.map(can));
    const bad = now.filter((letter) => letter === "b").length;
    count.textContent = count.dataset.words
      .replace("%(cans)s", String(now.length))
      .replace("%(bad)s", String(bad));
  }

  function tap(what) {
    const now = letters();
    if (what === "back") now.pop();
    else if (now.length < most) now.push(what);
    row.value = now.join("");
    show();
    shown.scrollTop = shown.scrollHeight;
  }

  for (const button of pad.querySelectorAll("button.tap")) {
    button.type = "button";
    button.addEventListener("click", () => tap(button.value));
  }
  // On the taps themselves the letters work too, so that one hand can stay on a key.
  pad.querySelector("#taps").addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.toLowerCase();
    if (key in NAMES) tap(key);
    else if (key === "backspace") tap("back");
    else return;
    event.preventDefault();
  });
  row.addEventListener("input", show);
  show();
}
