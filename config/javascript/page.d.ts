// What the pages' scripts find on the window. Read by the type check only; nothing of it is served.
interface Window {
  Plotly: any;
  htmx: any;
  allauth: any;
  tus: any;
  /** For the tests in a browser. */
  bedside?: { store: import("../../procedures/static/procedures/bedside/store.js").Store };
}
