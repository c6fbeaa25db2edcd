// Faults only; layout is left to who writes it.
import js from "@eslint/js";
import globals from "globals";

const plain = {
  "array-callback-return": "error",
  "consistent-return": "off", // the type check knows it better
  eqeqeq: ["error", "always", { null: "ignore" }],
  "no-constructor-return": "error",
  "no-implicit-coercion": ["error", { allow: ["!!"] }],
  "no-promise-executor-return": "error",
  "no-restricted-globals": [
    "error",
    { name: "parseFloat", message: "It reads '12abc' as 12: use tributary/numbers.js." },
    { name: "parseInt", message: "It reads '12abc' as 12: use tributary/numbers.js." },
    { name: "isNaN", message: "It converts first: use Number.isNaN or Number.isFinite." },
    { name: "isFinite", message: "It converts first: use Number.isFinite." },
    { name: "event", message: "Name the event as a parameter." },
    { name: "name", message: "window.name is never meant." },
    { name: "status", message: "window.status is never meant." },
  ],
  "no-restricted-properties": [
    "error",
    { object: "Number", property: "parseFloat", message: "It reads '12abc' as 12: use tributary/numbers.js." },
    { object: "Number", property: "parseInt", message: "It reads '12abc' as 12: use tributary/numbers.js." },
    { property: "innerHTML", message: "Text from outside would become markup: use textContent or append." },
    { property: "outerHTML", message: "Text from outside would become markup: use textContent or append." },
    { property: "insertAdjacentHTML", message: "Text from outside would become markup: use append." },
  ],
  "no-self-compare": "error",
  "no-shadow": "error",
  "no-template-curly-in-string": "error",
  "no-unmodified-loop-condition": "error",
  "no-unreachable-loop": "error",
  "no-unused-vars": ["error", { argsIgnorePattern: "^_", varsIgnorePattern: "^_", caughtErrors: "all" }],
  "no-use-before-define": ["error", { functions: false, classes: false, variables: false }],
  "no-useless-assignment": "error",
  "no-var": "error",
  "prefer-const": ["error", { destructuring: "all" }],
};

export default [
  { ignores: [".venv/", "node_modules/", "staticfiles/", "var/", "**/vendor/", "**/templates/", "build/"] },
  js.configs.recommended,
  { linterOptions: { reportUnusedDisableDirectives: "error" }, rules: plain },
  { files: ["**/static/**/*.js"], languageOptions: { ecmaVersion: 2023, sourceType: "module", globals: globals.browser } },
  {
    files: ["procedures/static/procedures/bedside_worker.js"],
    // Flat configurations add globals up: those of a page are taken away first.
    languageOptions: {
      sourceType: "script",
      globals: {
        ...Object.fromEntries(Object.keys(globals.browser).map((name) => [name, "off"])),
        ...globals.serviceworker,
        BUILD: "readonly",
        FILES: "readonly",
      },
    },
  },
  { files: ["config/static/tributary/theme.js"], languageOptions: { sourceType: "script" } },
  { files: ["tests/javascript/**/*.js", "*.js"], languageOptions: { globals: globals.nodeBuiltin } },
];
