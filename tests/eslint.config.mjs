// Style of the page's modules. Run from the top folder, as tests/run does:
//   node .ci/cache/node_modules/eslint/bin/eslint.js --config tests/eslint.config.mjs bridge/web/page/js
// The linter's own packages are where tests/run puts them, not beside this file.

import { createRequire } from "node:module";

const require = createRequire(new URL("../.ci/cache/", import.meta.url));
const js = require("@eslint/js");
const globals = require("globals");

export default [
  js.configs.recommended,
  {
    languageOptions: { ecmaVersion: 2023, sourceType: "module", globals: globals.browser },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      "no-var": "error",
      "prefer-const": ["error", { destructuring: "all" }],
      eqeqeq: ["error", "always", { null: "ignore" }],
      complexity: ["error", 33],
      "max-lines-per-function": ["error", 135],
      "max-lines": ["error", 300],
    },
  },
];
