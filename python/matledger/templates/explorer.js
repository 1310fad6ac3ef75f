// Sliders over a programme. The kernel works out one choice at a time; the newest waits for its turn, older ones drop.

const SVG = "http://www.w3.org/2000/svg";

function element(parent, tag, attributes = {}, text) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (text !== undefined) made.textContent = text;
  parent.append(made);
  return made;
}

function line(svg, x1, x2, y1, y2, attributes) {
  const made = document.createElementNS(SVG, "line");
  for (const [name, value] of Object.entries({ x1, x2, y1, y2, ...attributes })) made.setAttribute(name, value);
  svg.append(made);
}

const money = (told) => (told.cost === null ? "" : `, ${Math.round(told.cost).toLocaleString("en")} ${told.currency} a year`);
const closed = (told) => (told.closed_days === null ? "" : `, ${told.closed_days.toFixed(1)} closed days a year`);

function sentence(told) {
  return (
    `A chance of ${told.chance_all} that every green is at or below ${told.limit} % on ${told.until}` +
    ` (wanted: ${Math.round(100 * told.asked)} %)${money(told)}${closed(told)},` +
    ` ${told.disrupted_days.toFixed(0)} days a year below 99 % cover,` +
    ` ${told.sand.toFixed(1)} ${told.sand_unit} of sand a year.`
  );
}

// One green's interval as a bar over a common scale, with the limit as an upright line.
function bar(cell, low, median, high, limit, most) {
  const svg = document.createElementNS(SVG, "svg");
  for (const [name, value] of Object.entries({ viewBox: "0 0 100 10", preserveAspectRatio: "none", "aria-hidden": "true" }))
    svg.setAttribute(name, value);
  const at = (value) => (100 * value) / most;
  const thin = { "vector-effect": "non-scaling-stroke" };
  line(svg, at(low), at(high), 5, 5, { stroke: "#5a9680", "stroke-width": 8, ...thin });
  line(svg, at(median), at(median), 1, 9, { stroke: "#1b3a4b", "stroke-width": 3, ...thin });
  line(svg, at(limit), at(limit), 0, 10, { stroke: "#a8501a", "stroke-width": 2, "stroke-dasharray": "3 2", ...thin });
  cell.replaceChildren(svg);
}

function render({ model, el }) {
  const root = element(el, "section", { class: "matledger-explorer", "aria-label": "Programme explorer" });
  const fields = element(root, "fieldset", { class: "sliders" });
  element(fields, "legend", {}, "Programme");
  const answer = element(root, "p", { class: "answer", role: "status", "aria-live": "polite", "aria-atomic": "true" });
  const before = element(root, "p", { class: "note" });
  const table = element(root, "table");
  element(table, "caption", {}, "Organic matter of each green at the end: median, 90 % interval, and the chance that it holds");
  const head = element(element(table, "thead"), "tr");
  for (const [name, kind] of [["green", ""], ["%", "n"], ["bar: 90 % interval; mark: median; broken line: limit", ""], ["5 to 95 %", "n"], ["chance", "n"]])
    element(head, "th", { scope: "col", class: kind }, name);
  const body = element(table, "tbody");
  element(root, "p", { class: "note" }, model.get("caution"));

  const choice = { ...model.get("choice") };
  let turn = choice.turn ?? 0;
  let asked = false;
  let waiting = false;

  function ask() {
    if (asked) {
      waiting = true;
      return;
    }
    asked = true;
    waiting = false;
    turn += 1;
    model.set("choice", { ...choice, turn });
    model.save_changes();
  }

  const unique = `matledger-${Math.random().toString(36).slice(2)}`;
  for (const slider of model.get("sliders")) {
    const id = `${unique}-${slider.name}`;
    const box = element(fields, "div");
    const label = element(box, "label", { for: id }, slider.label);
    const value = element(label, "output", { for: id });
    const input = element(box, "input", { id, type: "range", min: slider.least, max: slider.most, step: slider.step, name: slider.name });
    // JupyterLab takes the arrow keys for its cells unless the element in focus itself says to leave them.
    input.dataset.lmSuppressShortcuts = "true";
    input.value = choice[slider.name];
    const say = () => {
      const text = `${Number(input.value)} ${slider.unit}`.trim();
      value.textContent = text;
      input.setAttribute("aria-valuetext", text);
    };
    input.addEventListener("input", () => {
      choice[slider.name] = Number(input.value);
      say();
      ask();
    });
    say();
  }

  function show() {
    const told = model.get("reading");
    if (told.turn >= turn) {
      asked = false;
      turn = told.turn;
    }
    if (told.problem) {
      answer.textContent = told.problem;
    } else if (told.greens) {
      answer.textContent = sentence(told);
      const most = 1.05 * Math.max(told.limit, ...told.high);
      told.greens.forEach((green, g) => {
        const row = body.rows[g] ?? element(body, "tr");
        if (!row.cells.length) {
          element(row, "th", { scope: "row" }, green);
          for (const kind of ["n", "", "n", "n"]) element(row, "td", { class: kind });
        }
        row.cells[1].textContent = told.median[g].toFixed(2);
        bar(row.cells[2], told.low[g], told.median[g], told.high[g], told.limit, most);
        row.cells[3].textContent = `${told.low[g].toFixed(2)} to ${told.high[g].toFixed(2)}`;
        row.cells[4].textContent = told.chance[g];
      });
      root.dataset.turn = told.turn;
    }
    if (waiting && !asked) ask();
  }

  const present = model.get("present");
  if (present.greens) before.textContent = `For comparison, ${present.name}: ${sentence(present)}`;
  model.on("change:reading", show);
  show();
  return () => model.off("change:reading", show);
}

export default { render };
