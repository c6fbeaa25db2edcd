// Entries the server could not take as they are. Nothing is decided without somebody: both values, and a choice.
const WORDS = {
  occurred_at: "Time",
  kind: "What happened",
  text: "Words",
  label: "Name of the site",
  vein: "Vein",
  notes: "Notes",
};

function label(store, name) {
  const quantity = store.state?.vocabulary.quantities[name];
  if (quantity) return `${quantity.label} [${quantity.unit}]`;
  return WORDS[name] ?? name.replaceAll("_", " ").replace(/^./, (first) => first.toUpperCase());
}

export function shown(value) {
  if (value === null || value === undefined || value === "") return "not recorded";
  if (value === true || value === false) return value ? "yes" : "no";
  if (typeof value === "string" && /^\d{4}-\d{2}-\d{2}T/.test(value)) return new Date(value).toLocaleTimeString();
  return typeof value === "object" ? JSON.stringify(value) : String(value);
}

function element(name, text = "", options = {}) {
  return Object.assign(document.createElement(name), { textContent: text }, options);
}

function choices(problem) {
  const { code, theirs, remove } = problem;
  if (code === "colleague") return [["takeover", "Send it under my name"]];
  if (code === "same_name") return [["theirs", "It is the same one"], [another(problem), "It is another one"]];
  if (code === "removed") return [["mine", "Enter it again"], ["discard", "Leave it out"]];
  if (theirs) return [["mine", remove ? "Remove it" : "Use what was entered here"], ["theirs", "Keep what is on the server"]];
  const list = code === "needs_confirmation" ? [[{ confirmed: true }, "The values are right"]] : [["retry", "Try again"]];
  return [...list, ["discard", "Discard this entry"]];
}

// A second vein of one name is told apart by its number, a second site by its label.
function another({ kind, theirs, mine }) {
  return kind === "tributary" ? { ordinal: theirs.ordinal + 1 } : { label: `${mine.label} (2)` };
}

function card(store, problem) {
  const box = element("article", "", { className: "attention" });
  const kind = problem.kind.replaceAll("_", " ");
  const words = problem.mine.text || problem.mine.label || problem.mine.kind || "";
  box.append(element("h3", `${kind.replace(/^./, (first) => first.toUpperCase())} ${shown(problem.captured_at)} ${words}`));
  box.append(element("p", problem.message ?? ""));
  const messages = Object.entries(problem.fields).flatMap(([name, list]) => list.map((text) => [name, text]));
  if (messages.length) {
    const list = element("ul");
    for (const [name, text] of messages) {
      const named = !name || text.startsWith(label(store, name).split(" [")[0]);
      list.append(element("li", named ? text : `${label(store, name)}: ${text}`));
    }
    box.append(list);
  }
  if (problem.differing.length) {
    const table = element("table");
    const head = table.createTHead().insertRow();
    head.append(element("td"));
    for (const title of ["Entered here", "On the server"]) head.append(element("th", title, { scope: "col" }));
    for (const { name, mine, theirs } of problem.differing) {
      const row = table.insertRow();
      row.append(element("th", label(store, name), { scope: "row" }));
      row.append(element("td", shown(mine)), element("td", shown(theirs)));
    }
    box.append(table);
  }
  const actions = element("p", "", { className: "actions" });
  for (const [choice, text] of choices(problem)) {
    const button = element("button", text, { type: "button", className: "bedside" });
    button.addEventListener("click", async () => {
      for (const other of actions.children) other.disabled = true;
      await store.settle(problem.key, choice);
    });
    actions.append(button);
  }
  box.append(actions);
  return box;
}

export function showAttention(store, place) {
  let before = "";
  const show = () => {
    const problems = store.attention;
    // Drawn anew only when something else needs attention, so that no button moves under a finger.
    const now = JSON.stringify(problems);
    if (now === before) return;
    before = now;
    place.hidden = problems.length === 0;
    const title = element("h2", `Needs attention: ${problems.length}`);
    place.replaceChildren(title, ...problems.map((problem) => card(store, problem)));
  };
  store.subscribe(show);
  show();
}
