// To a browser the rooms' static folders are one folder; so they are here, in a copy.
import { cpSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { webcrypto } from "node:crypto";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";

const project = fileURLToPath(new URL("../../", import.meta.url));
const root = mkdtempSync(join(tmpdir(), "tributary-scripts-"));
for (const room of ["config", "registry", "procedures"]) {
  cpSync(join(project, room, "static"), root, { recursive: true, filter: (path) => !path.endsWith("vendor") });
}
writeFileSync(join(root, "package.json"), '{"type": "module"}');
process.on("exit", () => rmSync(root, { recursive: true, force: true }));

// Every browser has it; of Node only the later ones.
globalThis.crypto ??= webcrypto;

/** Import a script by its address below /static/. */
export const script = (address) => import(pathToFileURL(join(root, address)));
