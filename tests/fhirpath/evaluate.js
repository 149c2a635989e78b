// Evaluates the variables of a Library over cases, one JSON object a line: {data, asOf}.
// node evaluate.js library.json cases.ndjson > results.ndjson; each result: {class: true|false|null}
'use strict';
const fs = require('fs');
const fhirpath = require('fhirpath');
const r4 = require('fhirpath/fhir-context/r4');

const [libraryFile, casesFile] = process.argv.slice(2);
const library = JSON.parse(fs.readFileSync(libraryFile, 'utf8'));
const variables = library.parameter
  .filter((parameter) => parameter.use === 'out')
  .map((parameter) => {
    const text = parameter.extension[0].valueExpression.expression;
    return [parameter.name, fhirpath.compile(text, r4)];
  });

for (const line of fs.readFileSync(casesFile, 'utf8').split('\n')) {
  if (!line) continue;
  const { data, asOf } = JSON.parse(line);
  const known = { data, asOf };
  for (const [name, evaluate] of variables) known[name] = evaluate({}, known);
  const classes = {};
  for (const [name] of variables) {
    if (name.startsWith('now_')) classes[name] = known[name].length ? known[name][0] : null;
  }
  process.stdout.write(JSON.stringify(classes) + '\n');
}
