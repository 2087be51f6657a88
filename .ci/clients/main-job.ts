// The whole main job through a client that is generated from GET /v1/openapi.json: report, wait, read what follows, follow up.
// docs/integrating.md shows it, from "begin" to "end".
import createClient from "openapi-fetch";
import type { components, paths } from "./generated/api.d.ts";

type Report = components["schemas"]["Report"];

// begin
export async function mainJob(baseUrl: string, key: string, first: Report, followUps: Report[]) {
  const laidup = createClient<paths, "application/json" | "application/problem+json">({ baseUrl, headers: key ? { Authorization: `Bearer ${key}` } : {} });
  const reference = first.vehicle.reference;
  const said: string[] = [];

  // Post a report. The same Idempotency-Key makes it harmless to post it again after the line broke.
  const { data: receipt, error } = await laidup.POST("/v1/reports", {
    params: { query: { gate: "crank" }, header: { "Idempotency-Key": first.reference ?? "" } },
    body: first,
  });
  if (error?.type === "/problems/invalid-report") {
    // What is wrong, where, and how to mend it: one entry for each fault.
    for (const fault of error.errors) said.push(`${fault.code} at ${fault.pointer}: ${fault.detail}`);
    return said;
  }
  if (error) throw new Error(error.detail);

  // Ask for the assessment until it is there.
  for (;;) {
    const { data: assessment, error } = await laidup.GET("/v1/assessments/{id}", { params: { path: { id: receipt.id } } });
    if (error) throw new Error(error.detail);
    if (assessment.state === "done") {
      said.push(`${assessment.verdict.gate} is ${assessment.verdict.state}`);
      break;
    }
    if (assessment.state === "failed") throw new Error(assessment.problem?.detail);
    await new Promise((after) => setTimeout(after, 200));
  }

  // What is in the way, and what would clear it?
  const blockers = await laidup.GET("/v1/assessments/{id}/blockers", { params: { path: { id: receipt.id }, query: { gate: "crank" } } });
  if (blockers.error) throw new Error(blockers.error.detail);
  for (const b of blockers.data.blockers) {
    const where = b.at ? ` at ${b.at.join(", ")}` : "";
    said.push(`${b.kind} on ${b.item}${where}: ${b.because}; report ${JSON.stringify(b.clear_by)}`);
  }

  // Report what was done about it, this time waiting for the assessment.
  for (const body of followUps) {
    const { data, error } = await laidup.POST("/v1/reports", { params: { header: { Prefer: "wait=20" } }, body });
    if (error) throw new Error(error.detail);
    if (data.state !== "done") throw new Error(`the assessment ${data.id} is ${data.state}`);
  }

  // The one question before the gate.
  const ready = await laidup.GET("/v1/vehicles/{reference}/readiness", { params: { path: { reference }, query: { gate: "crank" } } });
  if (ready.error) throw new Error(ready.error.detail);
  said.push(`crank is ${ready.data.state}, ${ready.data.blockers.length} in the way`);
  return said;
}
// end
