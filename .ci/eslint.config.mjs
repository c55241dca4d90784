// Lints the modules of the pages' scripts. Run from the top level, as .ci/run does.
import js from "@eslint/js";
import { createNodeResolver, importX } from "eslint-plugin-import-x";
import globals from "globals";

// Who may not import from whom: what is shared knows no page, and no page knows another.
const BARRED = { web: ["page", "bench", "desk"], page: ["bench", "desk"], bench: ["page", "desk"], desk: ["page", "bench"] };

export default [
  js.configs.recommended,
  {
    files: ["vinemap/**/*.js"],
    languageOptions: { ecmaVersion: 2023, sourceType: "module", globals: globals.browser },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    plugins: { "import-x": importX },
    settings: { "import-x/resolver-next": [createNodeResolver()] },
    rules: {
      eqeqeq: ["error", "always", { null: "ignore" }],
      "no-self-compare": "off", // how NaN is told from a number, quickly
      "no-unused-vars": ["error", { argsIgnorePattern: "^_" }],
      "no-use-before-define": ["error", { functions: false, variables: false }],
      "no-var": "error",
      "prefer-const": "error",
      "import-x/export": "error",
      "import-x/extensions": ["error", "always"],
      "import-x/first": "error",
      "import-x/named": "error",
      "import-x/newline-after-import": "error",
      "import-x/no-cycle": "error",
      "import-x/no-default-export": "error",
      "import-x/no-duplicates": "error",
      "import-x/no-dynamic-require": "error",
      "import-x/no-mutable-exports": "error",
      "import-x/no-namespace": "error",
      "import-x/no-restricted-paths": ["error", {
        zones: Object.entries(BARRED).map(([room, others]) => ({ target: `vinemap/${room}`, from: others.map((other) => `vinemap/${other}`) })),
      }],
      "import-x/no-self-import": "error",
      "import-x/no-unresolved": "error",
      "no-restricted-syntax": ["error", { selector: "ImportExpression", message: "The page is one file: there is nothing to load." }],
    },
  },
  {
    files: ["vinemap/page/**/*.js", "vinemap/desk/**/*.js"],
    languageOptions: { globals: { L: "readonly" } }, // Leaflet, which stands in the page before its script
  },
];
