// An ERP's night: it signs in by itself, counts what is out of service, and asks again without being told twice.
//
// Driven by a client whose types are generated from the published contract and by nothing else. The argument is the line of
// JSON that `cargo xtask up --json` prints.

import assert from "node:assert/strict";
import { randomUUID } from "node:crypto";
import createClient from "openapi-fetch";
import { ready, refused, signIn, succeeded, type Json } from "./answers.js";
import type { paths } from "./contract.js";

const administrator = await signIn("administrator");
const account = succeeded(
  await administrator.POST("/v1/service-accounts", {
    params: { header: { "Idempotency-Key": randomUUID() } },
    body: { name: "Plant ERP, nightly counts", yards: "all" },
  }),
);

const erp = createClient<paths, Json>({ baseUrl: ready.url });
/** Signs in with the account and a secret; the body is sent as the form that the contract asks for. */
function token(secret: string) {
  return erp.POST("/v1/oauth/token", {
    body: { grant_type: "client_credentials", client_id: account.client_id, client_secret: secret },
    headers: { "content-type": "application/x-www-form-urlencoded" },
    bodySerializer: (form) => new URLSearchParams(Object.entries(form).map(([name, value]) => [name, String(value)])),
  });
}
assert.equal(refused(await token("another")).code, "invalid-client");
const { access_token } = succeeded(await token(account.client_secret));
erp.use({
  onRequest({ request }) {
    request.headers.set("authorization", `Bearer ${access_token}`);
  },
});

const query = { group_by: ["yard" as const, "reason" as const] };
const counted = await erp.GET("/v1/reports/out-of-service", { params: { query } });
const report = succeeded(counted);
assert.deepEqual(report.group_by, query.group_by);
assert.ok(report.total_clamps.tagged_out > 0);
assert.ok(report.items.some(({ reason, tagged_out }) => reason === "shackle_eye_worn" && tagged_out > 0));

// Nothing has changed: no body.
const etag = counted.response.headers.get("etag");
assert.ok(etag);
const again = await erp.GET("/v1/reports/out-of-service", { params: { query }, headers: { "if-none-match": etag } });
assert.deepEqual([again.response.status, await again.response.text().catch(() => "")], [304, ""]);

console.log(
  `TypeScript: ${report.total_clamps.tagged_out} clamps tagged out in ${report.items.length} groups, as an ERP counts them`,
);
