// Shows the numbers in the dome as they are tapped, and dims bodymakers that the line has not.

const pad = document.querySelector(".pad");
const dome = document.getElementById("dome");

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

if (pad && dome) {
  pad.addEventListener("change", draw);
  draw();
}
