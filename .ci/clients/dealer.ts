// A lot of cars as one batch through the generated client, and the webhook that tells when it is done. docs/batches.md and
// docs/webhooks.md show it, from "begin" to "end".
import createClient from "openapi-fetch";
import type { paths } from "./generated/api.d.ts";

// begin
import { createServer } from "node:http";
import { Webhook } from "standardwebhooks";

export type Event = { type: string; timestamp: string; data: Record<string, unknown> };

// receiver answers what laidup sends: 204 once it has kept an event, 401 to whoever else sends something.
export function receiver(secret: () => string, keep: (id: string, event: Event) => void) {
  return createServer(async (req, res) => {
    const parts: Buffer[] = [];
    for await (const part of req) parts.push(part as Buffer);
    try {
      const event = new Webhook(secret()).verify(Buffer.concat(parts).toString("utf8"), req.headers as Record<string, string>) as Event;
      keep(req.headers["webhook-id"] as string, event); // once for each id: it may come again
      res.writeHead(204).end();
    } catch {
      res.writeHead(401).end();
    }
  });
}
// end

// begin batch
export async function scoreLot(baseUrl: string, key: string, lot: string, name: string) {
  const laidup = createClient<paths, "application/json" | "application/problem+json">({ baseUrl, headers: { Authorization: `Bearer ${key}` } });
  // The same name and the same lines are the same batch, however often they are sent.
  const { data: batch, error } = await laidup.POST("/v1/batches", {
    params: { query: { rule_set: "pre-purchase" }, header: { "Idempotency-Key": name } },
    headers: { "Content-Type": "application/x-ndjson" }, body: lot, bodySerializer: (lines) => lines,
  });
  if (error) throw new Error(error.detail);
  for (;;) {
    const { data, error } = await laidup.GET("/v1/batches/{id}", { params: { path: { id: batch.id } } });
    if (error) throw new Error(error.detail);
    if (data.finished_at) break;
    await new Promise((after) => setTimeout(after, 200));
  }
  const results = await laidup.GET("/v1/batches/{id}/results", { params: { path: { id: batch.id } }, parseAs: "text" });
  if (results.error) throw new Error(results.error.detail);
  return results.data.trim().split("\n").map((line) => JSON.parse(line) as { line: number; state: string; summary?: { verdict: { state: string } } });
}
// end batch

export async function subscribe(baseUrl: string, key: string, url: string) {
  const laidup = createClient<paths>({ baseUrl, headers: { Authorization: `Bearer ${key}` } });
  const { data, error } = await laidup.POST("/v1/subscriptions", { body: { url, types: ["batch.finished", "readiness.changed"] } });
  if (error) throw new Error(error.detail);
  return data.secret;
}
