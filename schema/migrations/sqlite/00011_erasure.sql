-- +goose Up

-- A vehicle can be erased with all that hangs on it. What names it has to be found without a look at
-- every row. Programs of before this step need not fill in the column: it follows from the body.
ALTER TABLE events ADD COLUMN vehicle TEXT GENERATED ALWAYS AS (json_extract(body, '$.data.vehicle')) VIRTUAL;

CREATE INDEX events_vehicle ON events (organisation, vehicle);
