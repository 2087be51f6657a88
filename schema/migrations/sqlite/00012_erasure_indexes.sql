-- +goose Up

CREATE INDEX idempotency_report ON idempotency (report_id);
CREATE INDEX batch_lines_vehicle ON batch_lines (lower(vehicle));
