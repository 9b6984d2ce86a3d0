// Bundles each test for node and runs it with node's own runner: no test
// framework to keep.
import * as esbuild from "esbuild";
import { run } from "node:test";
import { spec } from "node:test/reporters";
import { mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

process.chdir(import.meta.dirname);
const out = mkdtempSync(join(tmpdir(), "fairlead-tablet-test-"));
const tests = readdirSync(".").filter((f) => f.endsWith(".test.ts"));
await esbuild.build({
  absWorkingDir: import.meta.dirname, entryPoints: tests, outdir: out, bundle: true, format: "esm", platform: "node", target: "node20", outExtension: { ".js": ".mjs" },
  define: { __VERSION__: '"test"', TESTS: JSON.stringify(import.meta.dirname) },
});
const stream = run({ files: tests.map((f) => join(out, f.replace(/\.ts$/, ".mjs"))), concurrency: false });
stream.on("test:fail", () => (process.exitCode = 1));
stream.compose(spec).pipe(process.stdout);
stream.on("end", () => rmSync(out, { recursive: true, force: true }));
