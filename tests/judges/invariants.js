// The official invariants of every resource, backbone element and datatype, by npm fhirpath.
// node invariants.js judged.tsv root definitions > verdicts.json; an alarm: [key, path]
// The definitions are those of hl7.fhir.r4.core 4.0.1 (StructureDefinition.snapshot).
'use strict';
const fs = require('fs');
const path = require('path');
const [judgedFile, root, definitions] = process.argv.slice(2);
const modules = path.join(root, 'tests', 'fhirpath', 'node_modules');
const fhirpath = require(path.join(modules, 'fhirpath'));
const r4 = require(path.join(modules, 'fhirpath', 'fhir-context', 'r4'));

const types = {};
function typeOf(name) {
  if (!types[name]) {
    const file = path.join(definitions, 'package', `StructureDefinition-${name}.json`);
    const elements = JSON.parse(fs.readFileSync(file, 'utf8')).snapshot.element;
    types[name] = Object.fromEntries(elements.map((each) => [each.path, each]));
  }
  return types[name];
}

const compiled = {};
function holds(constraint, base, value, known) {
  const key = `${base} ${constraint.key}`;
  if (!compiled[key]) {
    // dom-3 says as(canonical) of many elements at once, which FHIRPath forbids: ofType is meant.
    const expression = constraint.expression.replace(/\bas\((\w+)\)/g, 'ofType($1)');
    compiled[key] = fhirpath.compile({ base, expression }, r4);
  }
  const result = compiled[key](value, known);
  return result.length === 0 || result[0] === true;
}

function check(element, base, value, known, found) {
  for (const constraint of element.constraint || []) {
    if (constraint.severity !== 'error' || !constraint.expression) continue;
    let good;
    try {
      good = holds(constraint, base, value, known);
    } catch (problem) {
      found.push([`${constraint.key} cannot be evaluated`, base]);
      continue;
    }
    if (!good) found.push([constraint.key, base]);
  }
}

function withType(elements, at, key) {
  const plain = elements[`${at}.${key}`];
  if (plain) return [plain, plain.type && plain.type[0].code];
  for (const each of Object.values(elements)) {
    const stem = each.path.slice(at.length + 1, -3);
    if (!each.path.startsWith(`${at}.`) || each.path !== `${at}.${stem}[x]`) continue;
    const type = key.startsWith(stem) && (each.type || []).find(
      ({ code }) => code[0].toUpperCase() + code.slice(1) === key.slice(stem.length));
    if (type) return [each, type.code];
  }
  return [null, null]; // an unknown element: the other judges say so
}

function inside(value, elements, at, known, found) {
  for (const [key, held] of Object.entries(value)) {
    if (key === 'resourceType' || key[0] === '_') continue;
    const [element, type] = withType(elements, at, key);
    if (!element) continue;
    for (const each of Array.isArray(held) ? held : [held]) part(each, element, type, elements, known, found);
  }
}

function part(value, element, type, elements, known, found) {
  if (element.contentReference) {
    const at = element.contentReference.slice(1);
    check(elements[at], at, value, known, found);
    inside(value, elements, at, known, found);
  } else if (type === 'Resource') {
    resource(value, known, found, element.path.endsWith('.contained'));
  } else if (type === 'BackboneElement' || type === 'Element') {
    check(element, element.path, value, known, found);
    inside(value, elements, element.path, known, found);
  } else if (type[0] === type[0].toUpperCase()) {
    const own = typeOf(type);
    check({ constraint: [...own[type].constraint, ...(element.constraint || [])] }, type, value, known, found);
    inside(value, own, type, known, found);
  }
}

function resource(value, outer, found, contained) {
  const elements = typeOf(value.resourceType);
  const known = { resource: value, rootResource: contained ? outer.rootResource : value };
  check(elements[value.resourceType], value.resourceType, value, known, found);
  inside(value, elements, value.resourceType, known, found);
}

const verdicts = {};
console.log = console.info = () => {}; // trace() in the invariants prints
for (const line of fs.readFileSync(judgedFile, 'utf8').split('\n')) {
  if (!line) continue;
  const [name, text] = line.split('\t');
  const found = [];
  resource(JSON.parse(text), {}, found, false);
  const once = new Map(found.map((each) => [each.join(' '), each]));
  verdicts[name] = [...once.values()];
}
process.stdout.write(JSON.stringify(verdicts));
