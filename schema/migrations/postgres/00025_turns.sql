-- +goose NO TRANSACTION
-- +goose Up

-- Whose turn it is: what nobody has begun with, by whose it is. The index is built while others write; one that was left
-- half built when the program was stopped is begun anew.
DROP INDEX CONCURRENTLY IF EXISTS assessments_turn;
CREATE INDEX CONCURRENTLY assessments_turn ON assessments (organisation, enqueued_at, id) WHERE state = 'queued' AND batch IS NULL;
