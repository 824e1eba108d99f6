// node peer.mjs PORT
//
// A small FHIR R4 server on 127.0.0.1 that keeps everything in memory, built
// on @medplum/fhir-router: search, read, create (conditional too), update with
// If-Match, batch. Port 0 takes a free one. It prints "ready PORT" and stops
// when its standard input is closed.
import express from 'express';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';
import { getStatus } from '@medplum/core';
import { loadDefinitions } from './definitions.mjs';

loadDefinitions();
const router = new FhirRouter();
const repo = new MemoryRepository();
const app = express();
app.use(express.json({ type: ['application/fhir+json', 'application/json'], limit: '32mb' }));

app.get('/fhir/metadata', (_req, res) => {
  res.json({
    resourceType: 'CapabilityStatement', status: 'active', date: '2024-01-01', kind: 'instance', fhirVersion: '4.0.1', format: ['json'],
    rest: [{
      mode: 'server',
      resource: ['Patient', 'Procedure', 'ImagingStudy', 'Task'].map((type) => ({
        type, versioning: 'versioned-update', conditionalCreate: true,
        interaction: ['read', 'create', 'update', 'search-type'].map((code) => ({ code })),
        searchParam: [{ name: '_lastUpdated', type: 'date' }, { name: 'identifier', type: 'token' }],
      })),
    }],
  });
});

app.use('/fhir', async (req, res) => {
  const [outcome, resource] = await router.handleRequest({
    method: req.method, url: req.url, pathname: '', body: req.body ?? {}, params: {}, query: req.query, headers: req.headers,
  }, repo);
  res.status(getStatus(outcome));
  const body = resource ?? outcome;
  if (body.meta?.versionId) {
    res.set('ETag', `W/"${body.meta.versionId}"`);
  }
  if (getStatus(outcome) === 201) {
    res.set('Location', `http://${req.headers.host}/fhir/${body.resourceType}/${body.id}/_history/${body.meta.versionId}`);
  }
  res.type('application/fhir+json').send(JSON.stringify(body));
});

const server = app.listen(Number(process.argv[2] ?? 0), '127.0.0.1', () => console.log(`ready ${server.address().port}`));
process.stdin.on('end', () => process.exit(0));
process.stdin.resume();
