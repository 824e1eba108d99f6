// The small FHIR server of peer.mjs and smart.mjs: everything is kept in memory.
import express from 'express';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';
import { getStatus } from '@medplum/core';
import { loadDefinitions } from './definitions.mjs';

// fhirServer adds the server to an express application, below each of the paths.
export function fhirServer(app, ...paths) {
  loadDefinitions();
  const router = new FhirRouter();
  const repo = new MemoryRepository();
  paths.forEach((path) => serveAt(app, path, router, repo));
}

function serveAt(app, path, router, repo) {
  app.use(path, express.json({ type: ['application/fhir+json', 'application/json'], limit: '32mb' }));

  app.get(`${path}/metadata`, (_req, res) => {
    res.json({
      resourceType: 'CapabilityStatement', status: 'active', date: '2024-01-01', kind: 'instance', fhirVersion: '4.0.1', format: ['json'],
      rest: [{
        mode: 'server',
        interaction: [{ code: 'batch' }],
        resource: ['Patient', 'Procedure', 'ImagingStudy', 'Task', 'CarePlan', 'ServiceRequest', 'Flag', 'Communication', 'Provenance'].map((type) => ({
          type, versioning: 'versioned-update', conditionalCreate: true,
          interaction: ['read', 'create', 'update', 'search-type'].map((code) => ({ code })),
          searchParam: [{ name: '_lastUpdated', type: 'date' }, { name: 'identifier', type: 'token' }],
        })),
      }],
    });
  });

  app.use(path, async (req, res) => {
    const [outcome, resource] = await router.handleRequest({
      method: req.method, url: req.url, pathname: '', body: req.body ?? {}, params: {}, query: req.query, headers: req.headers,
    }, repo);
    res.status(getStatus(outcome));
    const body = resource ?? outcome;
    if (body.meta?.versionId) {
      res.set('ETag', `W/"${body.meta.versionId}"`);
    }
    if (getStatus(outcome) === 201) {
      res.set('Location', `http://${req.headers.host}${path}/${body.resourceType}/${body.id}/_history/${body.meta.versionId}`);
    }
    res.type('application/fhir+json').send(JSON.stringify(body));
  });
}
