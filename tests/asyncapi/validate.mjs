// Reads an AsyncAPI file with AsyncAPI's own parser. Ends with 1 where it finds an error or a warning.
//   node validate.mjs FILE
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';

const file = process.argv[2];
// Installed elsewhere (tests/setup): found by LAMPKEEP_ASYNCAPI, a folder with node_modules.
const { Parser } = createRequire(`${process.env.LAMPKEEP_ASYNCAPI}/`)('@asyncapi/parser');
const { document, diagnostics } = await new Parser().parse(readFileSync(file, 'utf8'), { source: file });
// 0: error, 1: warning; above that it is advice.
const found = diagnostics.filter((d) => d.severity <= 1);
for (const d of found) {
  const line = d.range ? d.range.start.line + 1 : '?';
  console.log(`${file}:${line}: ${['error', 'warning'][d.severity]} ${d.code}: ${d.message} (${d.path.join('.')})`);
}
if (!document || found.length > 0) process.exit(1);
const count = (list) => list.all().length;
console.log(
  `   ${file}: AsyncAPI ${document.version()}, ${count(document.servers())} servers, ` +
    `${count(document.channels())} channels, ${count(document.operations())} operations, ` +
    `${count(document.messages())} messages, ${count(document.schemas())} schemas`,
);
