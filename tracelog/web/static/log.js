// Shows the numbers in the dome as they are tapped, dims bodymakers that the line has not, and
// puts those defects first that the line logged lately.

const pad = document.querySelector(".pad");
const dome = document.getElementById("dome");
const first = document.getElementById("first-tiles");
const further = document.getElementById("further-tiles");

function chosen(name) {
  const tile = pad.querySelector(`input[name="${name}"]:checked`);
  return tile ? tile.value : "?";
}

function draw() {
  const line = chosen("line");
  const number = chosen("number");
  dome.querySelector(".can-line").textContent = line;
  const shown = dome.querySelector(".can-number");
  shown.textContent = number;
  shown.classList.toggle("can-number-long", number.length > 2);
  const machines = JSON.parse(pad.dataset.machines);
  for (const tile of pad.querySelectorAll('input[name="number"]')) {
    const elsewhere =
      line !== "?" && tile.value !== "?" && !machines.some((one) => `${one[0]}-${one[1]}` === `${line}-${tile.value}`);
    tile.closest(".digit").classList.toggle("is-elsewhere", elsewhere);
  }
}

function order() {
  const lately = JSON.parse(pad.dataset.lately);
  const wanted = lately[chosen("line")] ?? lately[""];
  const tiles = new Map([...pad.querySelectorAll(".defect-tile")].map((tile) => [tile.value, tile]));
  const rest = [...tiles.values()].filter((tile) => !wanted.includes(tile.value));
  first.append(...wanted.map((defect) => tiles.get(defect)));
  further.append(...rest.sort((one, other) => one.textContent.localeCompare(other.textContent)));
}

if (pad && dome) {
  pad.addEventListener("change", (event) => {
    draw();
    if (further && event.target.name === "line") {
      order();
    }
  });
  draw();
  if (further) {
    order(); // the browser may have kept what was tapped before a page was loaded again
  }
}
