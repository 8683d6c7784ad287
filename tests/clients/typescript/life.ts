// The life of a clamp, driven by a client whose types are generated from the published contract and by nothing else.
//
// The compiler proves that the contract's types are usable; the run proves that the answers are what they say. The
// argument is the line of JSON that `cargo xtask up --json` prints.

import assert from "node:assert/strict";
import { randomUUID } from "node:crypto";
import { refused, signIn, succeeded, type Schemas } from "./answers.js";

/** The envelope of every entry. */
function entry(): { entry_id: string; performed_at: string } {
  return { entry_id: randomUUID(), performed_at: new Date().toISOString() };
}

const lead = await signIn("lead-calder-reach");
const inspector = await signIn("inspector-calder-reach");
const technician = await signIn("technician-calder-reach");
const operator = await signIn("operator-calder-reach");

const yard = succeeded(await lead.GET("/v1/yards")).items[0];
const models = succeeded(await lead.GET("/v1/models", { params: { query: { limit: 200 } } }));
const model = models.items.find(({ model }) => model === "OK-V3");
assert.ok(yard && model);

const id = randomUUID();
const path = { clamp_id: id };

/** Findings that accept everything which an inspection of this kind asks. */
async function acceptAll(kind: Schemas["InspectionKind"]): Promise<Schemas["Finding"][]> {
  const query = { model_id: model!.id, inspection_kind: kind };
  const { items } = succeeded(await inspector.GET("/v1/criteria", { params: { query } }));
  return items.filter(({ mandatory }) => mandatory).map(({ code }) => ({ criterion: code, outcome: "accept" }));
}

async function lift(): Promise<Schemas["LiftCheckAnswer"]> {
  return succeeded(
    await operator.POST("/v1/lift-checks", {
      body: {
        id: randomUUID(),
        clamps: [id],
        plate: {
          length: { value: "6", unit: "m" },
          width: { value: "2", unit: "m" },
          thickness: { value: "20", unit: "mm" },
        },
        surface: "clean",
        lift: "vertical",
        legs: 1,
        angle_from_horizontal: { value: "90", unit: "deg" },
        every_lift_check: "passed",
      },
    }),
  );
}

async function fitness(): Promise<Schemas["Fitness"]> {
  return succeeded(await operator.GET("/v1/clamps/{clamp_id}/fitness", { params: { path } }));
}

// Registered, and not fit before its first inspection.
const serial_number = `TS-${id.slice(0, 8)}`;
const registered = succeeded(
  await lead.POST("/v1/clamps", {
    body: {
      ...entry(),
      id,
      asset_mark: `CAL-${serial_number}`,
      serial_number,
      model_id: model.id,
      yard_id: yard.id,
      service_class: "normal",
    },
  }),
);
assert.equal(registered.outcome, "recorded");
assert.equal(registered.state_now?.status, "awaiting_initial_inspection");
assert.equal((await fitness()).fit, false);

// A measurement in words is refused with its place, before anything is recorded.
const findings = await acceptAll("initial");
const wrong = refused(
  await inspector.POST("/v1/clamps/{clamp_id}/inspections", {
    params: { path },
    body: {
      ...entry(),
      kind: "initial",
      findings: [{ criterion: "shackle_eye_worn", outcome: "accept", measured: { value: "21,0", unit: "mm" } }],
    },
  }),
);
assert.equal(wrong.code, "invalid-input");
assert.deepEqual(wrong.errors?.map(({ pointer }) => pointer), ["/findings/0/measured/value"]);

// Inspected, fit, lifting.
const first = succeeded(
  await inspector.POST("/v1/clamps/{clamp_id}/inspections", {
    params: { path },
    body: { ...entry(), kind: "initial", findings },
  }),
);
assert.deepEqual([first.result?.verdict, first.result?.credited, first.state_now?.fit], ["accepted", true, true]);
const clear = await lift();
assert.equal(clear.decision, "clear");
assert.deepEqual(clear.plate_mass, { value: "1884", unit: "kg" });

// Rejected: the measurement overrules the tick.
const rejected = succeeded(
  await inspector.POST("/v1/clamps/{clamp_id}/inspections", {
    params: { path },
    body: {
      ...entry(),
      kind: "frequent",
      findings: [
        ...(await acceptAll("frequent")),
        {
          criterion: "shackle_eye_worn",
          outcome: "accept",
          measured: { value: "21.0", unit: "mm" },
          uncertainty: { value: "0.05", unit: "mm" },
        },
      ],
    },
  }),
);
assert.equal(rejected.result?.verdict, "rejected");
assert.ok(rejected.result?.remarks?.some(({ code }) => code === "measurement_overruled"));
const worn = rejected.result?.opened?.[0];
assert.equal(worn?.criterion, "shackle_eye_worn");

// Tagged out: nobody is told that it is fit, and it is not issued.
const out = await fitness();
assert.deepEqual([out.fit, out.reasons.map(({ code }) => code)], [false, ["tagged_out"]]);
assert.equal((await lift()).decision, "stop");
const notIssued = refused(
  await lead.POST("/v1/clamps/{clamp_id}/issues", {
    params: { path },
    body: { ...entry(), issued_to_name: "gang 4" },
  }),
);
assert.equal(notIssued.code, "tagged-out");
assert.deepEqual(notIssued.reasons?.map(({ code }) => code), ["tagged_out"]);

// Repaired, which opens a lock-out of its own, and re-inspected by somebody else.
const repaired = succeeded(
  await technician.POST("/v1/clamps/{clamp_id}/repairs", {
    params: { path },
    body: {
      ...entry(),
      components: ["shackle"],
      answers: [worn!.id],
      parts: [{ component: "shackle", part_number: "OK-V3-SH", lot: "L7", from_original_maker: true }],
      work: "shackle renewed",
    },
  }),
);
const again = repaired.result?.opened?.[0];
assert.equal(again?.reason, "not_reinspected");
const reinspected = succeeded(
  await inspector.POST("/v1/clamps/{clamp_id}/inspections", {
    params: { path },
    body: {
      ...entry(),
      kind: "after_repair",
      after_repair_of: repaired.entry_id,
      findings: await acceptAll("after_repair"),
    },
  }),
);
assert.deepEqual([reinspected.result?.verdict, reinspected.state_now?.status], ["accepted", "tagged_out"]);

// Returned to service: every lock-out has to be named.
const release: Schemas["Release"] = {
  lockout_id: worn!.id,
  ground: "repaired",
  repair_entry: repaired.entry_id,
  inspection_entry: reinspected.entry_id,
};
const incomplete = refused(
  await lead.POST("/v1/clamps/{clamp_id}/returns-to-service", {
    params: { path },
    body: { ...entry(), releases: [release] },
  }),
);
assert.equal(incomplete.code, "release-not-supported");
assert.deepEqual(incomplete.unmet?.map(({ code, lockout_id }) => [code, lockout_id]), [
  ["lockout_not_named", again!.id],
]);
const returned = succeeded(
  await lead.POST("/v1/clamps/{clamp_id}/returns-to-service", {
    params: { path },
    body: {
      ...entry(),
      releases: [release, { lockout_id: again!.id, ground: "reinspected", inspection_entry: reinspected.entry_id }],
    },
  }),
);
assert.deepEqual([returned.result?.closed?.length, returned.state_now?.fit], [2, true]);
assert.equal((await fitness()).fit, true);
assert.equal((await lift()).decision, "clear");

// The history is all there, newest first.
const history = succeeded(await lead.GET("/v1/clamps/{clamp_id}/entries", { params: { path } }));
assert.deepEqual(
  history.items.map(({ kind }) => kind),
  ["returned_to_service", "inspected", "repaired", "inspected", "inspected", "registered"],
);

console.log(`TypeScript: ${history.items.length} entries of one clamp, from registration to return`);
