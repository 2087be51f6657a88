-- +goose Up

-- How vehicles stand at each gate by the newest finished assessment: what lists are filtered and sorted
-- by, at any gate. The assessment itself is the truth. A row counts while its ordinal is the vehicle's:
-- a gate that the newest assessment has no more, or that somebody else has not written down, is not
-- known, and not as it was. The verdict and in_the_way of vehicles are read no more.
CREATE TABLE vehicle_gates (
    organisation TEXT    NOT NULL,
    vehicle      TEXT    NOT NULL,
    gate         TEXT    NOT NULL,
    assessed     INTEGER NOT NULL, -- ordinal of the assessment
    state        TEXT    NOT NULL,
    in_the_way   INTEGER NOT NULL, -- at the gate and at all earlier ones
    PRIMARY KEY (organisation, vehicle, gate),
    FOREIGN KEY (organisation, vehicle) REFERENCES vehicles (organisation, reference)
) STRICT, WITHOUT ROWID;

-- How much was looked at, by the newest finished assessment.
ALTER TABLE vehicles ADD COLUMN applying INTEGER NOT NULL DEFAULT 0;
ALTER TABLE vehicles ADD COLUMN looked_at INTEGER NOT NULL DEFAULT 0;
ALTER TABLE vehicles ADD COLUMN coverage INTEGER NOT NULL DEFAULT 0; -- share by weight, in units of 1e-10

-- What was finished before.
INSERT INTO vehicle_gates (organisation, vehicle, gate, assessed, state, in_the_way)
SELECT v.organisation, v.reference, json_extract(g.value, '$.gate'), v.assessed, json_extract(g.value, '$.state'), json_extract(g.value, '$.blockers')
FROM vehicles AS v
JOIN assessments AS a ON a.organisation = v.organisation AND a.vehicle = v.reference AND a.state = 'done' AND a.ordinal = v.assessed
JOIN json_each(a.body, '$.gates') AS g
WHERE json_type(a.body, '$.gates') = 'array'
ON CONFLICT (organisation, vehicle, gate) DO NOTHING;

UPDATE vehicles SET applying = json_extract(a.body, '$.coverage.applying'), looked_at = json_extract(a.body, '$.coverage.looked_at'),
    coverage = CAST(round(json_extract(a.body, '$.coverage.share') * 1e10) AS INTEGER)
FROM assessments AS a
WHERE a.organisation = vehicles.organisation AND a.vehicle = vehicles.reference AND a.state = 'done' AND a.ordinal = vehicles.assessed
    AND json_type(a.body, '$.coverage') = 'object';

UPDATE assessments SET summary = json_object(
    'verdict', json(json_extract(body, '$.verdict')),
    'gates', json((
        SELECT json_group_array(json_object('gate', json_extract(g.value, '$.gate'), 'state', json_extract(g.value, '$.state'),
            'blockers', json_extract(g.value, '$.blockers'), 'chance_through', json_extract(g.value, '$.chance_through')))
        FROM json_each(body, '$.gates') AS g)),
    'condition', json_object('expected', json_extract(body, '$.condition.expected'), 'low', json_extract(body, '$.condition.low'), 'high', json_extract(body, '$.condition.high')),
    'coverage', json_extract(body, '$.coverage.share'),
    'applying', json_extract(body, '$.coverage.applying'),
    'looked_at', json_extract(body, '$.coverage.looked_at'))
WHERE state = 'done' AND json_type(body, '$.gates') = 'array' AND json_type(body, '$.coverage') = 'object'
    AND json_type(body, '$.verdict') = 'object' AND json_type(body, '$.condition') = 'object';

-- Made once the rows are there.
CREATE INDEX vehicle_gates_most_in_the_way ON vehicle_gates (organisation, gate, in_the_way, vehicle);
DROP INDEX vehicles_most_in_the_way;
