// Prints the Khronos validator's report on each file named, as one JSON array.
import { readFileSync } from "node:fs";
import { dirname, resolve } from "node:path";
import { validateBytes } from "gltf-validator";

const reports = [];
for (const path of process.argv.slice(2)) {
  const report = await validateBytes(new Uint8Array(readFileSync(path)), {
    maxIssues: 100,
    externalResourceFunction: async (uri) =>
      new Uint8Array(readFileSync(resolve(dirname(path), decodeURIComponent(uri)))),
  });
  reports.push(report.issues.messages);
}
console.log(JSON.stringify(reports));
