// Closes an open menu when somebody presses Escape or points elsewhere.

const OPEN = "details.menu[open], .rail details[open]";

function close(menu) {
  if (menu.contains(document.activeElement)) {
    menu.querySelector("summary").focus();
  }
  menu.open = false;
}

document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") {
    document.querySelectorAll(OPEN).forEach(close);
  }
});

document.addEventListener("pointerdown", (event) => {
  for (const menu of document.querySelectorAll(OPEN)) {
    if (!menu.contains(event.target)) {
      menu.open = false;
    }
  }
});
