// node smart.mjs JWKS SECONDS
//
// The FHIR server of peer.mjs behind a login by SMART Backend Services: oidc-provider gives tokens that last so many
// seconds to the client "harbour", whose public keys are the JSON Web Key Set of the first argument. POST /forget
// makes every token so far invalid, GET /asked says how many were given. Below /open/fhir a test looks at the same
// resources without a login. It prints "ready PORT" and stops when its
// standard input is closed.
import { createServer } from 'node:http';
import express from 'express';
import { Provider } from 'oidc-provider';
import { fhirServer } from './server.mjs';

const [keys, seconds] = process.argv.slice(2);
const jwks = JSON.parse(keys);
const scope = 'system/*.rs system/Task.cruds';
const app = express();
const server = createServer(app);

server.listen(0, '127.0.0.1', () => {
  const issuer = `http://127.0.0.1:${server.address().port}`;
  const provider = new Provider(issuer, {
    clients: [{
      client_id: 'harbour', grant_types: ['client_credentials'], response_types: [], redirect_uris: [], scope,
      token_endpoint_auth_method: 'private_key_jwt', jwks,
    }],
    clientAuthMethods: ['private_key_jwt'],
    enabledJWA: { clientAuthSigningAlgValues: ['ES384', 'RS384'] },
    features: { clientCredentials: { enabled: true }, devInteractions: { enabled: false } },
    scopes: scope.split(' '),
    ttl: { ClientCredentials: Number(seconds) },
    // What SMART asks of an assertion beyond what OpenID does.
    assertJwtClientAuthClaimsAndHeader: (_ctx, claims, header) => {
      if (claims.exp > Date.now() / 1000 + 300 || claims.sub !== claims.iss || claims.aud !== `${issuer}/token` || !header.kid || header.typ !== 'JWT') {
        throw new Error('not as SMART wants it');
      }
    },
  });
  let asked = 0;
  let forgotten = 0;
  provider.on('grant.success', () => { asked += 1; });
  app.get('/fhir/.well-known/smart-configuration', (_req, res) => res.json({
    token_endpoint: `${issuer}/token`, grant_types_supported: ['client_credentials'], token_endpoint_auth_methods_supported: ['private_key_jwt'],
    token_endpoint_auth_signing_alg_values_supported: ['ES384', 'RS384'], scopes_supported: scope.split(' '), capabilities: ['client-confidential-asymmetric'],
  }));
  app.post('/forget', (_req, res) => { forgotten = asked; res.json({}); });
  app.get('/asked', (_req, res) => res.json({ asked }));
  const order = new Map(); // token → which one it was
  app.use('/fhir', async (req, res, next) => {
    const [, value] = /^Bearer (.+)$/.exec(req.headers.authorization ?? '') ?? [];
    const token = value && await provider.ClientCredentials.find(value);
    if (token && !order.has(value)) {
      order.set(value, asked);
    }
    if (!token || !token.isValid || order.get(value) <= forgotten) {
      res.status(401).set('WWW-Authenticate', 'Bearer').json({ resourceType: 'OperationOutcome', issue: [{ severity: 'error', code: 'login', diagnostics: value }] });
      return;
    }
    if (req.method === 'GET' && !token.scope?.split(' ').includes('system/*.rs')) {
      res.status(403).json({ resourceType: 'OperationOutcome', issue: [{ severity: 'error', code: 'forbidden' }] });
      return;
    }
    next();
  });
  fhirServer(app, '/fhir', '/open/fhir');
  app.use(provider.callback());
  console.log(`ready ${server.address().port}`);
});
process.stdin.on('end', () => process.exit(0));
process.stdin.resume();
