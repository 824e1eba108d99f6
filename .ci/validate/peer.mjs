// node peer.mjs PORT
//
// A small FHIR R4 server on 127.0.0.1 that keeps everything in memory, built
// on @medplum/fhir-router: search, read, create (conditional too), update with
// If-Match, batch. Port 0 takes a free one. It prints "ready PORT" and stops
// when its standard input is closed.
import express from 'express';
import { fhirServer } from './server.mjs';

const app = express();
fhirServer(app, '/fhir');

const server = app.listen(Number(process.argv[2] ?? 0), '127.0.0.1', () => console.log(`ready ${server.address().port}`));
process.stdin.on('end', () => process.exit(0));
process.stdin.resume();
