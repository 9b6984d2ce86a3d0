// Makes the bundle: node build.mjs <folder>. The same sources give the same
// bytes, so that a test can prove that what is committed is fresh.
import * as esbuild from "esbuild";
import { createHash } from "node:crypto";
import { cpSync, mkdirSync, readdirSync, readFileSync, rmSync, statSync, writeFileSync } from "node:fs";
import { join, relative } from "node:path";

const out = process.argv[2];
if (!out) throw new Error("give the folder to build into");
process.chdir(import.meta.dirname);
rmSync(out, { recursive: true, force: true });
mkdirSync(join(out, "words"), { recursive: true });

const hash = (b, n = 10) => createHash("sha256").update(b).digest("hex").slice(0, n);
const walk = (dir) => readdirSync(dir).sort().flatMap((f) => (statSync(join(dir, f)).isDirectory() ? walk(join(dir, f)) : [join(dir, f)]));

// The version is that of the sources, so that it is known before the bundle is;
// types that are made from the contract leave no trace in it.
const version = hash(Buffer.concat([...walk("src").filter((f) => !f.startsWith("src/gen/")), ...walk("public"), "build.mjs", "package-lock.json"].map((f) => readFileSync(f))), 8);
const common = {
  absWorkingDir: import.meta.dirname,
  bundle: true, minify: true, format: "esm", target: ["chrome110", "firefox115", "safari16.4"], write: false, legalComments: "none", charset: "utf8",
};
const bundle = async (entry, define) =>
  Buffer.from((await esbuild.build({ ...common, entryPoints: [entry], define })).outputFiles[0].contents);

const put = (name, bytes) => writeFileSync(join(out, name), bytes);
const js = await bundle("src/main.ts", { __VERSION__: JSON.stringify(version), __WORKER__: JSON.stringify("/tablet/sw.js") });
const css = Buffer.from((await esbuild.transform(readFileSync("src/tablet.css"), { loader: "css", minify: true, target: common.target })).code);
const jsName = `app-${hash(js)}.js`;
const cssName = `app-${hash(css)}.css`;
put(jsName, js);
put(cssName, css);
put("index.html", readFileSync("public/index.html", "utf8").replace("__JS__", jsName).replace("__CSS__", cssName));
for (const f of ["manifest.webmanifest", "mark.svg"]) cpSync(join("public", f), join(out, f));
cpSync("public/fonts", join(out, "fonts"), { recursive: true });
for (const f of readdirSync("src/words").filter((f) => f !== "en.json")) {
  put(join("words", f), JSON.stringify(JSON.parse(readFileSync(join("src/words", f), "utf8")).words));
}
// The worker is made last: it lists what it keeps.
const files = walk(out).map((f) => relative(out, f)).filter((f) => !/\.(txt|md)$/.test(f) && f !== "index.html");
put("sw.js", await bundle("src/sw.ts", { __VERSION__: JSON.stringify(version), __FILES__: JSON.stringify(["", ...files]) }));
