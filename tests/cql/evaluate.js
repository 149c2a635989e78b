// Runs ELM over cases with cql-execution, one JSON object of parameters a line.
// node evaluate.js elm.json cases.ndjson > results.ndjson; each result: {class: true|false|null}
// A parameter is true, false, null, a whole number or {value, unit} (a UCUM quantity).
'use strict';
const fs = require('fs');
const readline = require('readline');
const cql = require('cql-execution');

const [elmFile, casesFile] = process.argv.slice(2);
const library = new cql.Library(JSON.parse(fs.readFileSync(elmFile, 'utf8')));
const rows = Object.keys(library.expressions).filter((name) => name.startsWith('row '));

function parameter(value) {
  return value && typeof value === 'object' ? new cql.Quantity(value.value, value.unit) : value;
}

async function main() {
  for await (const line of readline.createInterface({ input: fs.createReadStream(casesFile) })) {
    const told = Object.entries(JSON.parse(line)).map(([name, value]) => [name, parameter(value)]);
    const executor = new cql.Executor(library, null, Object.fromEntries(told));
    const result = await executor.exec(new cql.PatientSource([{ id: '1', recordType: 'Patient' }]));
    const said = result.patientResults['1'];
    const classes = rows.map((name) => [name.slice(4), said[name] ?? null]);
    process.stdout.write(JSON.stringify(Object.fromEntries(classes)) + '\n');
  }
}

main().catch((problem) => {
  console.error(problem);
  process.exit(1);
});
