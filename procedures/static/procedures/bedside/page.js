// Puts the page together.
import { showAttention } from "./attention.js";
import { installWorker } from "./install.js";
import { showLine } from "./line.js";
import { openStore } from "./store.js";

const session = /^\/sessions\/([0-9a-f-]{36})\/bedside\/$/.exec(location.pathname)?.[1];
const main = document.getElementById("main");

installWorker();
try {
  const store = await openStore(session);
  globalThis.bedside = { store };
  showLine(store, document.getElementById("bedside-line"));
  showAttention(store, document.getElementById("bedside-attention"));
  const show = () => {
    const list = document.createElement("ol");
    for (const entry of store.state?.entries ?? []) {
      const item = document.createElement("li");
      item.textContent = `${entry.occurred_at} ${entry.kind} ${entry.text} (${entry.sync})`;
      list.append(item);
    }
    main.replaceChildren(list);
  };
  store.subscribe(show);
  show();
} catch (error) {
  main.textContent = error.message;
}
