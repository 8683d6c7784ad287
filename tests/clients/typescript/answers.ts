// What an operation answered, read by the contract's types, and the people of the service that is asked.

import assert from "node:assert/strict";
import createClient, { type Client } from "openapi-fetch";
import type { components, paths } from "./contract.js";

export type Schemas = components["schemas"];

interface Ready {
  url: string;
  accounts: { email: string; password: string }[];
}

export const ready = JSON.parse(process.argv[2] ?? "null") as Ready;

/** What an operation answered where it must have succeeded. */
export function succeeded<T>(answer: { data?: T; error?: unknown; response: Response }): T {
  assert.ok(answer.response.ok && answer.data !== undefined, JSON.stringify(answer.error));
  return answer.data;
}

/** The problem with which an operation refused. */
export function refused(answer: { error?: Schemas["Problem"]; response: Response }): Schemas["Problem"] {
  const problem = answer.error;
  assert.ok(problem !== undefined, "this should have been refused");
  assert.equal(answer.response.headers.get("content-type"), "application/problem+json");
  assert.equal(problem.status, answer.response.status);
  return problem;
}

/** Lists are offered as CSV and JSON lines too; this client reads JSON. */
export type Json = "application/json" | "application/problem+json";

/** One of the people of the demo, signed in. */
export async function signIn(person: string): Promise<Client<paths, Json>> {
  const account = ready.accounts.find(({ email }) => email.startsWith(`${person}@`));
  assert.ok(account, person);
  const client = createClient<paths, Json>({ baseUrl: ready.url });
  const { email, password } = account;
  const tokens = succeeded(await client.POST("/v1/auth/token", { body: { email, password } }));
  client.use({
    onRequest({ request }) {
      request.headers.set("authorization", `Bearer ${tokens.access_token}`);
    },
  });
  return client;
}
