// Lets the chart library draw the figures of the Trends page, in the colours of the page. Where it
// cannot, the figures that came with the page stay.

const ROLES = { ink: "--series-1", accent: "--series-2", muted: "--edge" };
// Names that would reach beyond the object that bears them, in the library if not here.
const UNSAFE = ["__proto__", "constructor", "prototype"];

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

function coloured(part) {
  if (Array.isArray(part)) return part.map(coloured);
  if (part === null || typeof part !== "object") return part;
  const result = {};
  for (const [key, value] of Object.entries(part)) {
    if (UNSAFE.includes(key)) continue;
    if (key === "role") result.color = colour(ROLES[value]);
    else result[key] = coloured(value);
  }
  return result;
}

function layoutOf(figure) {
  const ink = colour("--ink");
  const rule = colour("--rule");
  const axis = { gridcolor: rule, zerolinecolor: rule, linecolor: rule, automargin: true };
  const base = {
    paper_bgcolor: "rgba(0,0,0,0)",
    plot_bgcolor: "rgba(0,0,0,0)",
    font: { color: ink, size: 16, family: getComputedStyle(document.body).fontFamily },
    hoverlabel: { font: { size: 16 } },
    margin: { t: 16, r: 16, b: 48, l: 48 },
    legend: { orientation: "h", y: 1.02, yanchor: "bottom", x: 0 },
  };
  const layout = { ...base, ...coloured(figure.layout) };
  for (const name of ["xaxis", "yaxis", "yaxis2"]) {
    if (name !== "yaxis2" || layout[name]) layout[name] = { ...axis, ...layout[name] };
  }
  return layout;
}

// Numbers and dates as the page's language writes them; the library speaks English by itself.
function spoken(place) {
  if (!place.dataset.language) return {};
  return { locale: "page", locales: { page: coloured(JSON.parse(place.dataset.language)) } };
}

async function draw(place) {
  const answer = await fetch(place.dataset.figure, { headers: { Accept: "application/json" } });
  if (!answer.ok) throw new Error(`the figure could not be loaded: ${answer.status}`);
  const figure = await answer.json();
  const still = place.parentElement.querySelector("svg.trend");
  place.hidden = false;
  await window.Plotly.newPlot(place, coloured(figure.data), layoutOf(figure), {
    responsive: true,
    displaylogo: false,
    ...spoken(place),
  });
  still.setAttribute("hidden", "");
  still.classList.add("is-replaced");
}

async function drawAll() {
  for (const place of document.querySelectorAll("[data-figure]")) {
    try {
      await draw(place);
    } catch (problem) {
      place.hidden = true;
      console.warn(problem);
    }
  }
}

if (window.Plotly) drawAll();
