-- +goose Up

-- Whose turn it is: what nobody has begun with, by whose it is.
CREATE INDEX assessments_turn ON assessments (organisation, enqueued_at, id) WHERE state = 'queued' AND batch IS NULL;
CREATE INDEX plans_turn ON plans (organisation, enqueued_at, id) WHERE state = 'queued';

ALTER TABLE batch_chunks ADD COLUMN organisation TEXT NOT NULL DEFAULT '';
ALTER TABLE batch_chunks ADD COLUMN begun_at INTEGER; -- unix ms; when a worker took it in turn
UPDATE batch_chunks SET organisation = (SELECT b.organisation FROM batches AS b WHERE b.id = batch_chunks.batch);
CREATE INDEX batch_chunks_turn ON batch_chunks (organisation, enqueued_at, id) WHERE finished_at IS NULL AND begun_at IS NULL;
