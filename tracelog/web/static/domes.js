// Can bottoms tapped without a way to the server and back: each tap writes one more code. Without
// this module each tap asks for the page with one can more.

const form = document.querySelector(".domes-form");
if (form) {
  const codes = form.querySelector("#field-codes");

  const words = () => codes.value.split(/[\s,;]+/).filter(Boolean);

  function show() {
    const now = words();
    for (const button of form.querySelectorAll(".dome-tap")) {
      const cans = now.filter((word) => word === button.value).length;
      button.querySelector(".dome-count").textContent = cans ? `× ${cans}` : "";
      button.classList.toggle("is-chosen", cans > 0);
    }
  }

  for (const button of form.querySelectorAll('button[name="tap"]')) {
    button.type = "button";
    button.addEventListener("click", () => {
      const now = words();
      if (button.value === "back") now.pop();
      else now.push(button.value);
      codes.value = now.join(" ");
      show();
    });
  }
  codes.addEventListener("input", show);
  show();
}
