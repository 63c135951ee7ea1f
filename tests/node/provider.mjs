// A provider of OpenID Connect on the library that is certified for it, with its own pages to sign in on.
// node provider.mjs FOLDER-OF-MODULES, and on its input one line of JSON: what it is to be.
import { createServer } from "node:https";
import { createInterface } from "node:readline";
import { pathToFileURL } from "node:url";

const [line] = await new Promise((tell) => createInterface({ input: process.stdin }).once("line", (text) => tell([text])));
const { port, key, certificate, client, secret, page, people, signs_out: signsOut } = JSON.parse(line);
const { Provider } = await import(pathToFileURL(`${process.argv[2]}/oidc-provider/lib/index.js`));

const whole = (head, inside) => `<!doctype html><html lang="en"><meta charset="utf-8"><title>Works</title><h1>${head}</h1>${inside}</html>`;

const provider = new Provider(`https://127.0.0.1:${port}`, {
  clients: [{ client_id: client, client_secret: secret, redirect_uris: [`${page}/`], post_logout_redirect_uris: [`${page}/`], response_types: ["code"], grant_types: ["authorization_code"] }],
  pkce: { required: () => true, methods: ["S256"] },
  claims: { openid: ["sub"], profile: ["preferred_username"], groups: ["groups"] },
  features: { devInteractions: { enabled: false }, rpInitiatedLogout: { enabled: signsOut, logoutSource: (context, asked) => (context.body = whole("Leave the works?", `${asked}<button form="op.logoutForm" name="logout" value="yes">Yes, sign me out</button>`)) } },
  cookies: { keys: ["of a test"] },
  interactions: { url: (_, { uid }) => `/enter/${uid}` },
  findAccount: (_, id) => ({ accountId: id, claims: () => ({ sub: id, preferred_username: people[id].name, groups: people[id].groups }) }),
  // Nobody is asked whether the gateway may know: whoever runs the provider has said so.
  async loadExistingGrant({ oidc }) {
    const grant = new oidc.provider.Grant({ clientId: oidc.client.clientId, accountId: oidc.session.accountId });
    grant.addOIDCScope("openid profile groups");
    await grant.save();
    return grant;
  },
});

const form = (said) => whole("Sign-in of the works", `<p>${said}</p>
<form method="post"><label>User <input name="user" autocomplete="username"></label><label>Secret word <input name="word" type="password"></label><button>Enter</button></form>`);

async function enter(request, response) {
  const { uid } = await provider.interactionDetails(request, response);
  if (!request.url.endsWith(uid)) throw new Error("of another sign-in");
  let said = "";
  if (request.method === "POST") {
    let body = "";
    for await (const part of request) body += part;
    const typed = new URLSearchParams(body);
    const [id] = Object.entries(people).find(([, each]) => each.name === typed.get("user") && each.word === typed.get("word")) ?? [];
    if (id) return provider.interactionFinished(request, response, { login: { accountId: id } }, { mergeWithLastSubmission: false });
    said = "This is not right.";
  }
  response.setHeader("Content-Type", "text/html; charset=utf-8");
  return response.end(form(said));
}

const served = provider.callback();
createServer({ key, cert: certificate }, (request, response) => {
  if (request.url.startsWith("/favicon")) return response.writeHead(204).end();
  if (!request.url.startsWith("/enter/")) return served(request, response);
  return enter(request, response).catch((error) => response.writeHead(400).end(String(error)));
}).listen(port, "127.0.0.1", () => console.log("ready"));
