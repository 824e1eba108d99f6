// node walk.mjs BASE TOKEN TYPE PATIENT
//
// Walks the read-only endpoint with fhir-kit-client, a FHIR client that others wrote: the
// capability statement, a search of a type by pages of 20 to its end, each resource read by
// id, and a search by patient. Prints "pages resources read of-patient".
import { Client } from 'fhir-kit-client';

const [base, token, type, patient] = process.argv.slice(2);
const client = new Client({ baseUrl: base, bearerToken: token });
const statement = await client.capabilityStatement();
if (!statement.rest[0].resource.some((r) => r.type === type)) {
  throw new Error(`${type} is not offered`);
}
let pages = 0;
let read = 0;
const ids = new Set();
let bundle = await client.search({ resourceType: type, searchParams: { _count: 20 } });
while (bundle) {
  pages++;
  for (const e of bundle.entry ?? []) {
    ids.add(e.resource.id);
    if (pages <= 2) {
      const one = await client.read({ resourceType: type, id: e.resource.id });
      if (one.meta.versionId !== e.resource.meta.versionId) {
        throw new Error('read and search differ');
      }
      read++;
    }
  }
  bundle = bundle.link.some((l) => l.relation === 'next') ? await client.nextPage({ bundle }) : undefined;
}
const mine = await client.search({ resourceType: type, searchParams: { patient }, options: { postSearch: true } });
console.log(`${pages} ${ids.size} ${read} ${mine.total}`);
