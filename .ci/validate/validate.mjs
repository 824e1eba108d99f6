// node validate.mjs FILE.ndjson ["-" for standard input]
//
// Checks every line with three independent R4 validators: @medplum/core (types,
// cardinality, formats, FHIRPath invariants), npm fhir (required codes, kinds of
// reference) and @asymmetrik/fhir-json-schema-validator (the JSON schema of R4:
// codes and the forms of dates and texts). Prints one line for each error and a
// last line with counts. Exit status 0: all lines pass all; 1: an error; 2: usage.
import { readFileSync } from 'node:fs';
import { validateResource } from '@medplum/core';
import Schema from '@asymmetrik/fhir-json-schema-validator';
import fhir from 'fhir';
import { loadDefinitions } from './definitions.mjs';

const name = process.argv[2];
if (!name) {
  console.error('usage: node validate.mjs FILE.ndjson');
  process.exit(2);
}
loadDefinitions();
const second = new fhir.Fhir();
const third = new Schema();

function byMedplum(resource) {
  try {
    validateResource(resource);
    return [];
  } catch (err) {
    const issues = err.outcome?.issue ?? [{ details: { text: String(err) } }];
    return issues.map((i) => `medplum: ${i.details?.text} (${i.expression?.join(', ') ?? '-'})`);
  }
}

function byFhir(resource) {
  const result = second.validate(resource, { errorOnUnexpected: true });
  const bad = result.messages.filter((m) => m.severity === 'error' || m.severity === 'fatal');
  if (!result.valid && bad.length === 0) {
    return ['fhir: not valid, without a message'];
  }
  return bad.map((m) => `fhir: ${m.message} (${m.location})`);
}

function bySchema(resource) {
  return (third.validate(resource) ?? []).map((e) => `schema: ${e.message ?? e} (${e.dataPath ?? '-'})`);
}

let lines = 0;
let errors = 0;
readFileSync(name === '-' ? 0 : name, 'utf8').split('\n').forEach((line, i) => {
  if (line.trim() === '') {
    return;
  }
  lines++;
  let resource;
  try {
    resource = JSON.parse(line);
  } catch (err) {
    errors++;
    console.log(`${i + 1}: not JSON`);
    return;
  }
  for (const e of [...byMedplum(resource), ...byFhir(resource), ...bySchema(resource)]) {
    errors++;
    console.log(`${i + 1}: ${e}`);
  }
});
console.log(`${lines} resources, ${errors} errors`);
process.exit(errors > 0 ? 1 : 0);
