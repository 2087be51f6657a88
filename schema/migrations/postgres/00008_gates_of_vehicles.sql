-- +goose Up

-- How vehicles stand at each gate by the newest finished assessment: what lists are filtered and sorted
-- by, at any gate. The assessment itself is the truth. A row counts while its ordinal is the vehicle's:
-- a gate that the newest assessment has no more, or that somebody else has not written down, is not
-- known, and not as it was. The verdict and in_the_way of vehicles are read no more.
CREATE TABLE vehicle_gates (
    organisation TEXT COLLATE "C" NOT NULL,
    vehicle      TEXT COLLATE "C" NOT NULL,
    gate         TEXT COLLATE "C" NOT NULL,
    assessed     BIGINT NOT NULL, -- ordinal of the assessment
    state        TEXT   NOT NULL,
    in_the_way   BIGINT NOT NULL, -- at the gate and at all earlier ones
    PRIMARY KEY (organisation, vehicle, gate),
    FOREIGN KEY (organisation, vehicle) REFERENCES vehicles (organisation, reference)
);

-- How much was looked at, by the newest finished assessment.
ALTER TABLE vehicles ADD COLUMN applying BIGINT NOT NULL DEFAULT 0;
ALTER TABLE vehicles ADD COLUMN looked_at BIGINT NOT NULL DEFAULT 0;
ALTER TABLE vehicles ADD COLUMN coverage BIGINT NOT NULL DEFAULT 0; -- share by weight, in units of 1e-10

-- What was finished before.
INSERT INTO vehicle_gates (organisation, vehicle, gate, assessed, state, in_the_way)
SELECT v.organisation, v.reference, g.value ->> 'gate', v.assessed, g.value ->> 'state', CAST(g.value ->> 'blockers' AS BIGINT)
FROM vehicles AS v
JOIN assessments AS a ON a.organisation = v.organisation AND a.vehicle = v.reference AND a.state = 'done' AND a.ordinal = v.assessed
CROSS JOIN LATERAL json_array_elements(CASE json_typeof(a.body::json -> 'gates') WHEN 'array' THEN a.body::json -> 'gates' END) AS g
ON CONFLICT (organisation, vehicle, gate) DO NOTHING;

UPDATE vehicles SET applying = CAST(a.body::json #>> '{coverage,applying}' AS BIGINT), looked_at = CAST(a.body::json #>> '{coverage,looked_at}' AS BIGINT),
    coverage = CAST(round(CAST(a.body::json #>> '{coverage,share}' AS NUMERIC) * 1e10) AS BIGINT)
FROM assessments AS a
WHERE a.organisation = vehicles.organisation AND a.vehicle = vehicles.reference AND a.state = 'done' AND a.ordinal = vehicles.assessed
    AND json_typeof(a.body::json -> 'coverage') = 'object';

UPDATE assessments SET summary = CAST(json_build_object(
    'verdict', body::json -> 'verdict',
    'gates', (
        SELECT json_agg(json_build_object('gate', g.value -> 'gate', 'state', g.value -> 'state', 'blockers', g.value -> 'blockers', 'chance_through', g.value -> 'chance_through') ORDER BY g.ordinality)
        FROM json_array_elements(body::json -> 'gates') WITH ORDINALITY AS g (value, ordinality)),
    'condition', json_build_object('expected', body::json #> '{condition,expected}', 'low', body::json #> '{condition,low}', 'high', body::json #> '{condition,high}'),
    'coverage', body::json #> '{coverage,share}',
    'applying', body::json #> '{coverage,applying}',
    'looked_at', body::json #> '{coverage,looked_at}') AS TEXT)
WHERE state = 'done' AND json_typeof(body::json -> 'gates') = 'array' AND json_typeof(body::json -> 'coverage') = 'object'
    AND json_typeof(body::json -> 'verdict') = 'object' AND json_typeof(body::json -> 'condition') = 'object';

-- Made once the rows are there.
CREATE INDEX vehicle_gates_most_in_the_way ON vehicle_gates (organisation, gate, in_the_way, vehicle);
DROP INDEX vehicles_most_in_the_way;
