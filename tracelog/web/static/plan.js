// A ring that is dragged to another day of its machine leads to what that would cost. Whoever does
// not drag types the day into the list below.

const grid = document.querySelector(".plan-grid");
let dragged = null;

function aim(cell, is) {
  cell.classList.toggle("is-aim", is);
}

function target(event) {
  const cell = event.target.closest("td[data-day]");
  return dragged && cell && cell.parentElement === dragged.closest("tr") ? cell : null;
}

if (grid) {
  document.querySelectorAll(".plan-drag-hint").forEach((hint) => {
    hint.hidden = false;
  });

  grid.addEventListener("dragstart", (event) => {
    dragged = event.target.closest(".plan-ring[draggable=true]");
    if (dragged) {
      event.dataTransfer.effectAllowed = "move";
      event.dataTransfer.setData("text/plain", dragged.getAttribute("aria-label"));
    }
  });

  grid.addEventListener("dragover", (event) => {
    const cell = target(event);
    if (cell) {
      event.preventDefault();
      grid.querySelectorAll(".is-aim").forEach((one) => aim(one, false));
      aim(cell, true);
    }
  });

  grid.addEventListener("dragend", () => {
    grid.querySelectorAll(".is-aim").forEach((one) => aim(one, false));
    dragged = null;
  });

  grid.addEventListener("drop", (event) => {
    const cell = target(event);
    if (!cell) {
      return;
    }
    event.preventDefault();
    const place = new URL(grid.dataset.path, window.location.href);
    place.searchParams.set("machine", dragged.dataset.machine);
    place.searchParams.set("service", dragged.dataset.service);
    place.searchParams.set("pinned_on", cell.dataset.day);
    window.location.assign(place);
  });
}
