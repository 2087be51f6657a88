-- +goose NO TRANSACTION
-- +goose Up

-- The indexes are built while others write; one that was left half built when the program was stopped
-- is begun anew.
DROP INDEX CONCURRENTLY IF EXISTS idempotency_report;
CREATE INDEX CONCURRENTLY idempotency_report ON idempotency (report_id);
DROP INDEX CONCURRENTLY IF EXISTS batch_lines_vehicle;
CREATE INDEX CONCURRENTLY batch_lines_vehicle ON batch_lines (lower(vehicle));
