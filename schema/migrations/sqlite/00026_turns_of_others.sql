-- +goose Up

-- What PostgreSQL does here in a transaction of its own is part of the step before.
SELECT 1;
