-- +goose Up

-- References that differ only in the case of their letters name one vehicle: the one that was there first, in its
-- spelling. Vehicles of before this step that differ in nothing else stay apart, each under its own spelling;
-- what comes from now on is laid to the one that had the newest report.
CREATE TABLE vehicle_spellings (
    organisation TEXT NOT NULL,
    folded       TEXT NOT NULL, -- the reference in small letters
    vehicle      TEXT NOT NULL, -- the reference as it is spelled
    PRIMARY KEY (organisation, folded)
) STRICT, WITHOUT ROWID;

INSERT INTO vehicle_spellings (organisation, folded, vehicle)
SELECT organisation, lower(reference), reference FROM vehicles WHERE true ORDER BY updated_at DESC, reference
ON CONFLICT (organisation, folded) DO NOTHING;
