-- +goose Up

-- What failed and waits for somebody is few and counted often.
CREATE INDEX assessments_failed ON assessments (finished_at, id) WHERE state = 'failed';
