-- +goose NO TRANSACTION
-- +goose Up

-- What failed and waits for somebody is few and counted often. The index is built while others
-- write; one that was left half built when the program was stopped is begun anew.
DROP INDEX CONCURRENTLY IF EXISTS assessments_failed;
CREATE INDEX CONCURRENTLY assessments_failed ON assessments (finished_at, id) WHERE state = 'failed';
