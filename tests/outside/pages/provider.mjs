// An OpenID provider: whoever signs in as X has the role X, and "nobody" has none.
import { createRequire } from 'node:module';
const require = createRequire(process.env.TERCE_BROWSER + '/');
const load = (name) => import(require.resolve(name));
const { default: Provider } = await load('oidc-provider');
const { exportJWK, generateKeyPair } = await load('jose');
const [port, back] = process.argv.slice(2);
const key = await exportJWK((await generateKeyPair('ES256', { extractable: true })).privateKey);
console.warn = () => {};
const log = console.log;
console.log = () => {};
console.info = () => {};
const provider = new Provider(`http://127.0.0.1:${port}`, {
  clients: [{
    client_id: 'pages', client_secret: 's e:c+ret', redirect_uris: [back],
    token_endpoint_auth_method: 'client_secret_basic', id_token_signed_response_alg: 'ES256',
  }],
  claims: { openid: ['sub', 'roles'] },
  conformIdTokenClaims: false,
  findAccount: (_, id) => ({ accountId: id, claims: () => ({ sub: id, roles: id === 'nobody' ? [] : [id] }) }),
  pkce: { required: () => true },
  jwks: { keys: [{ ...key, kid: 'k1', alg: 'ES256', use: 'sig' }] },
  cookies: { keys: ['a key of a test'] },
});
provider.listen(Number(port), '127.0.0.1', () => log('ready'));
