package store

import (
	"database/sql"
	"time"
)

// Every query of the package. Both engines run the same text. SQLite numbers parameters as they
// first appear, so $1, $2, … must first appear in that order; a test sees to it.
const (
	// The first spelling of a reference is that of the vehicle. Two who bring a new vehicle at once in two
	// spellings wait for each other here.
	spellVehicle = `
INSERT INTO vehicle_spellings (organisation, folded, vehicle) VALUES ($1, $2, $3)
ON CONFLICT (organisation, folded) DO UPDATE SET vehicle = vehicle_spellings.vehicle
RETURNING vehicle`

	// A vehicle as somebody spells it: exactly so if there is one, which goes before all others.
	selectSpelling = `
SELECT s.reference FROM (
    SELECT reference, 0 AS far FROM vehicles WHERE organisation = $1 AND reference = $2
    UNION ALL
    SELECT vehicle, 1 FROM vehicle_spellings WHERE organisation = $1 AND folded = $3) AS s
ORDER BY s.far LIMIT 1`

	// The statement locks the vehicle's row until the transaction ends: reports on one vehicle
	// are numbered, and become visible, one after the other.
	upsertVehicle = `
INSERT INTO vehicles (organisation, reference, description, reports, updated_at)
VALUES ($1, $2, $3, 1, $4)
ON CONFLICT (organisation, reference) DO UPDATE SET
    reports = vehicles.reports + 1,
    description = CASE WHEN excluded.description = '' THEN vehicles.description ELSE excluded.description END,
    updated_at = CASE WHEN excluded.updated_at > vehicles.updated_at THEN excluded.updated_at ELSE vehicles.updated_at END
WHERE $5 = 0 OR vehicles.reports - vehicles.withdrawals - vehicles.withdrawn < $5
RETURNING reports`

	insertReport = `
INSERT INTO reports (id, organisation, vehicle, ordinal, reference, inspected, received_at, posted_by, body)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`

	insertAssessment = `
INSERT INTO assessments (id, organisation, report_id, vehicle, ordinal, gate, rule_set, rule_set_version, rule_set_digest, created_at, enqueued_at, batch)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $10, NULLIF($11, ''))`

	// A second transaction with the key waits here for the end of the first.
	insertKey = `
INSERT INTO idempotency (organisation, key, fingerprint, report_id, assessment_id, created_at)
VALUES ($1, $2, $3, $4, $5, $6)
ON CONFLICT (organisation, key) DO NOTHING`

	selectKey = `SELECT fingerprint, report_id, assessment_id FROM idempotency WHERE organisation = $1 AND key = $2`

	reportColumns = `id, vehicle, ordinal, reference, inspected, received_at, withdrawn_at, withdrawn_because, COALESCE(replaced_by, ''), posted_by`

	selectReport = `SELECT ` + reportColumns + `, body FROM reports WHERE organisation = $1 AND id = $2`

	// Those that stood at an ordinal.
	selectDossier = `
SELECT ` + reportColumns + `, body FROM reports
WHERE organisation = $1 AND vehicle = $2 AND ordinal <= $3 AND (withdrawn_ordinal IS NULL OR withdrawn_ordinal > $3) ORDER BY ordinal`

	// What came in on a vehicle, under each ordinal one thing: a report, or a withdrawal that none brought with it.
	selectEntries = `
SELECT r.ordinal AS place, r.id, FALSE, r.received_at, '', r.posted_by,
    COALESCE((SELECT o.id FROM reports AS o WHERE o.organisation = $1 AND o.vehicle = $2 AND o.replaced_by = r.id), ''),
    COALESCE(a.gate, ''), COALESCE(a.rule_set, ''), COALESCE(a.rule_set_version, ''), COALESCE(a.rule_set_digest, '')
FROM reports AS r LEFT JOIN assessments AS a ON a.organisation = r.organisation AND a.vehicle = r.vehicle AND a.ordinal = r.ordinal
WHERE r.organisation = $1 AND r.vehicle = $2
UNION ALL
SELECT r.withdrawn_ordinal, r.id, TRUE, r.withdrawn_at, r.withdrawn_because, '', '',
    COALESCE(a.gate, ''), COALESCE(a.rule_set, ''), COALESCE(a.rule_set_version, ''), COALESCE(a.rule_set_digest, '')
FROM reports AS r LEFT JOIN assessments AS a ON a.organisation = r.organisation AND a.vehicle = r.vehicle AND a.ordinal = r.withdrawn_ordinal
WHERE r.organisation = $1 AND r.vehicle = $2 AND r.withdrawn_ordinal IS NOT NULL
    AND NOT EXISTS (SELECT 1 FROM reports AS o WHERE o.organisation = $1 AND o.vehicle = $2 AND o.ordinal = r.withdrawn_ordinal)
ORDER BY place`

	selectHoldings = `
SELECT count(*), COALESCE(sum(v.reports - v.withdrawals), 0), COALESCE(sum(v.withdrawals), 0) FROM vehicles AS v WHERE v.organisation = $1`

	selectReports = `
SELECT ` + reportColumns + `, body FROM reports
WHERE organisation = $1 AND vehicle = $2 AND ($3 = '' OR ordinal < (
    SELECT c.ordinal FROM reports AS c WHERE c.organisation = $1 AND c.vehicle = $2 AND c.id = $3))
ORDER BY ordinal DESC LIMIT $4`

	// It changes nothing and waits for others who write on the vehicle: whoever asks then what stands is
	// told what will stand until he is done.
	lockVehicle = `UPDATE vehicles SET reports = reports WHERE organisation = $1 AND reference = $2`

	// The withdrawal of a report takes an ordinal of its own.
	noteWithdrawal = `
UPDATE vehicles SET reports = reports + 1, withdrawals = withdrawals + 1, withdrawn = withdrawn + 1
WHERE organisation = $1 AND reference = $2
RETURNING reports`

	// A report that replaces another takes its own.
	noteReplacement = `UPDATE vehicles SET withdrawn = withdrawn + 1 WHERE organisation = $1 AND reference = $2`

	withdrawReport = `
UPDATE reports SET withdrawn_ordinal = $1, withdrawn_at = $2, withdrawn_because = $3
WHERE organisation = $4 AND id = $5 AND withdrawn_ordinal IS NULL`

	replaceReport = `UPDATE reports SET replaced_by = $1 WHERE organisation = $2 AND id = $3 AND replaced_by IS NULL`

	// What is left to assess once a report is withdrawn: the last report that stands, as it was asked about.
	selectLastStanding = `
SELECT r.id, a.gate, a.rule_set, a.rule_set_version, a.rule_set_digest
FROM reports AS r JOIN assessments AS a ON a.organisation = r.organisation AND a.vehicle = r.vehicle AND a.report_id = r.id
WHERE r.organisation = $1 AND r.vehicle = $2 AND r.withdrawn_ordinal IS NULL
ORDER BY r.ordinal DESC, a.ordinal, a.created_at, a.id LIMIT 1`

	// Nothing that stands is known of the vehicle any more: no assessment until now says how it is.
	voidVehicle = `
UPDATE vehicles SET void = $1, assessed = $1, gates_before = gates, gates = '', applying = 0, looked_at = 0, coverage = 0
WHERE organisation = $2 AND reference = $3`

	// Whoever brings a report takes the spelling first, and then the vehicle: so does who erases it.
	lockSpelling = `UPDATE vehicle_spellings SET vehicle = vehicle WHERE organisation = $1 AND folded = $2`

	lockVehicleAsOf = `UPDATE vehicles SET reports = reports WHERE organisation = $1 AND reference = $2 RETURNING updated_at`

	eraseAssessments = `DELETE FROM assessments WHERE organisation = $1 AND vehicle = $2`

	eraseTicks = `DELETE FROM plan_ticks WHERE organisation = $1 AND vehicle = $2`

	erasePlans = `DELETE FROM plans WHERE organisation = $1 AND vehicle = $2`

	eraseOutcomes = `DELETE FROM outcomes WHERE organisation = $1 AND vehicle = $2`

	insertOutcome = `
INSERT INTO outcomes (id, organisation, vehicle, received_at, before_at, month, body, posted_by, idempotency_key, fingerprint)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, NULLIF($9, ''), $10)
ON CONFLICT (organisation, idempotency_key) DO NOTHING`

	selectOutcomeByKey = `SELECT id, fingerprint FROM outcomes WHERE organisation = $1 AND idempotency_key = $2`

	outcomeColumns = `id, vehicle, body, received_at, before_at, month, posted_by, withdrawn_at, withdrawn_because, replaced_by, assessment_id, waits = 1, problem`

	selectOutcome = `SELECT ` + outcomeColumns + ` FROM outcomes WHERE organisation = $1 AND id = $2`

	selectOutcomes = `
SELECT ` + outcomeColumns + ` FROM outcomes
WHERE organisation = $1 AND vehicle = $2 AND ($3 = '' OR (received_at, id) < ($4, $3))
ORDER BY received_at DESC, id DESC LIMIT $5`

	withdrawOutcome = `
UPDATE outcomes SET withdrawn_at = $1, withdrawn_because = $2, waits = 1
WHERE organisation = $3 AND id = $4 AND withdrawn_at IS NULL
RETURNING ` + outcomeColumns

	// One that was withdrawn may still be replaced, and keeps the time and the reason.
	replaceOutcome = `
UPDATE outcomes SET withdrawn_at = COALESCE(withdrawn_at, $1), replaced_by = $2, waits = 1
WHERE organisation = $3 AND id = $4 AND vehicle = $5 AND replaced_by = ''
RETURNING ` + outcomeColumns

	// The last of what was known of a vehicle before a time. What was assessed of it again later, under other rules, counts
	// only where nothing else is there, as after an import.
	selectLastBefore = `
SELECT ` + assessmentColumns + `, body FROM assessments
WHERE organisation = $1 AND vehicle = $2 AND state <> 'failed' AND ordinal <= (
    SELECT COALESCE(max(k.place), 0) FROM (
        SELECT r.ordinal AS place FROM reports AS r WHERE r.organisation = $1 AND r.vehicle = $2 AND r.received_at < $3
        UNION ALL
        SELECT w.withdrawn_ordinal FROM reports AS w WHERE w.organisation = $1 AND w.vehicle = $2 AND w.withdrawn_at < $3) AS k)
ORDER BY ordinal DESC, CASE WHEN created_at <= $3 THEN 0 ELSE 1 END, CASE WHEN created_at <= $3 THEN -created_at ELSE created_at END, id
LIMIT 1`

	// Who counts outcomes does so for all.
	selectUncounted = `SELECT ` + outcomeColumns + `, organisation FROM outcomes WHERE waits = 1 ORDER BY received_at, id LIMIT $1`

	lockUncounted = `
UPDATE outcomes SET waits = waits WHERE id = $1 AND waits = 1
RETURNING organisation, month, counted, received_at, withdrawn_at IS NOT NULL`

	noteCounted = `
UPDATE outcomes SET waits = 0, assessment_id = $1, counted = $2, problem = $3 WHERE id = $4`

	noteJudgedRuleSet = `
INSERT INTO judged_rule_sets (organisation, rule_set_digest, rule_set, rule_set_version, outcomes, newest_at) VALUES ($1, $2, $3, $4, $5, $6)
ON CONFLICT (organisation, rule_set_digest) DO UPDATE SET outcomes = judged_rule_sets.outcomes + excluded.outcomes,
    newest_at = CASE WHEN excluded.newest_at > judged_rule_sets.newest_at THEN excluded.newest_at ELSE judged_rule_sets.newest_at END`

	addCount = `
INSERT INTO outcome_counts (organisation, rule_set_digest, period, kind, name, step, family, seen, events, unseen)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
ON CONFLICT (organisation, rule_set_digest, kind, period, name, step) DO UPDATE SET
    seen = outcome_counts.seen + excluded.seen, events = outcome_counts.events + excluded.events, unseen = outcome_counts.unseen + excluded.unseen`

	selectJudged = `
SELECT rule_set, rule_set_version, rule_set_digest, outcomes, newest_at FROM judged_rule_sets
WHERE organisation = $1 AND outcomes > 0 ORDER BY newest_at DESC, rule_set_digest`

	selectCounts = `
SELECT name, family, period, step, seen, events, unseen FROM outcome_counts
WHERE organisation = $1 AND rule_set_digest = $2 AND period = '' AND kind = $3
ORDER BY name, step`

	selectMonthlyCounts = `
SELECT name, family, period, step, seen, events, unseen FROM outcome_counts
WHERE organisation = $1 AND rule_set_digest = $2 AND period > '' AND kind = $3
ORDER BY name, period, step`

	eraseKeys = `
DELETE FROM idempotency WHERE organisation = $1 AND report_id IN (
    SELECT r.id FROM reports AS r WHERE r.organisation = $1 AND r.vehicle = $2)`

	eraseReports = `DELETE FROM reports WHERE organisation = $1 AND vehicle = $2`

	// Deliveries go with their events.
	eraseEvents = `DELETE FROM events WHERE organisation = $1 AND vehicle = $2`

	eraseGates = `DELETE FROM vehicle_gates WHERE organisation = $1 AND vehicle = $2`

	eraseSpellings = `DELETE FROM vehicle_spellings WHERE organisation = $1 AND vehicle = $2`

	// A line keeps its number, so that those behind it keep theirs. It has the vehicle as its sender
	// spells it: another spelling counts unless it is that of another vehicle.
	eraseLines = `
UPDATE batch_lines SET vehicle = '', assessment_id = NULL, result = NULL, problem = $1
WHERE EXISTS (SELECT 1 FROM batches AS b WHERE b.id = batch_lines.batch AND b.organisation = $2)
  AND lower(vehicle) = lower($3) AND (vehicle = $3 OR EXISTS (
    SELECT 1 FROM vehicle_spellings AS s WHERE s.organisation = $2 AND s.folded = lower($3) AND s.vehicle = $3))`

	// Lines of a chunk whose vehicle was erased in the moment in which they were stored.
	eraseLinesOfNobody = `
UPDATE batch_lines SET vehicle = '', assessment_id = NULL, result = NULL, problem = $1
WHERE batch = $2 AND chunk = $3 AND vehicle <> '' AND NOT EXISTS (
    SELECT 1 FROM vehicles AS v WHERE v.organisation = $4 AND v.reference = batch_lines.vehicle)`

	insertLooseFile = `INSERT INTO loose_files (organisation, file, since) VALUES ($1, $2, $3)`

	// A reservation that is over may have been found by who removes loose files.
	claimFile = `DELETE FROM loose_files WHERE file = $1 AND organisation = $2 AND since > $3`

	selectLooseFiles = `SELECT file FROM loose_files WHERE since <= $1 ORDER BY since, file LIMIT $2`

	takeLooseFiles = `
UPDATE loose_files SET since = 0 WHERE since <= $1 AND file IN (
    SELECT l.file FROM loose_files AS l WHERE l.since <= $1 ORDER BY l.since, l.file LIMIT $2)
RETURNING file`

	deleteLooseFile = `DELETE FROM loose_files WHERE file = $1`

	attachmentColumns = `id, media, size, width, height, created_at, file`

	insertAttachment = `
INSERT INTO attachments (organisation, id, media, size, width, height, created_at, touched_at, file)
VALUES ($1, $2, $3, $4, $5, $6, $7, $7, $8)
ON CONFLICT (organisation, id) DO NOTHING`

	selectAttachment = `SELECT ` + attachmentColumns + ` FROM attachments WHERE organisation = $1 AND id = $2`

	// It locks the row: until the transaction ends nobody else prunes or erases it.
	touchAttachment = `UPDATE attachments SET touched_at = $1 WHERE organisation = $2 AND id = $3 RETURNING ` + attachmentColumns

	lockAttachment = `UPDATE attachments SET touched_at = touched_at WHERE organisation = $1 AND id = $2`

	// Of a report and an attachment that are there.
	linkPhoto = `
INSERT INTO photo_links (organisation, report_id, vehicle, attachment_id)
SELECT r.organisation, r.id, r.vehicle, a.id
FROM reports AS r JOIN attachments AS a ON a.organisation = r.organisation
WHERE r.organisation = $1 AND r.id = $2 AND a.id = $3
ON CONFLICT DO NOTHING`

	insertPhotoLink = `INSERT INTO photo_links (organisation, report_id, vehicle, attachment_id) VALUES ($1, $2, $3, $4)`

	unlinked = `NOT EXISTS (
    SELECT 1 FROM photo_links AS l WHERE l.organisation = attachments.organisation AND l.attachment_id = attachments.id)`

	pruneAttachments = `
DELETE FROM attachments WHERE touched_at < $1 AND ` + unlinked + ` AND file IN (
    SELECT attachments.file FROM attachments WHERE attachments.touched_at < $1 AND ` + unlinked + ` ORDER BY attachments.touched_at LIMIT $2)
RETURNING organisation, file`

	photosOf = `organisation = $1 AND EXISTS (
    SELECT 1 FROM photo_links AS l WHERE l.organisation = attachments.organisation AND l.attachment_id = attachments.id AND l.vehicle = $2)`

	photosOfAlone = photosOf + ` AND NOT EXISTS (
    SELECT 1 FROM photo_links AS o WHERE o.organisation = attachments.organisation AND o.attachment_id = attachments.id AND o.vehicle <> $2)`

	lockPhotosOf = `UPDATE attachments SET touched_at = touched_at WHERE ` + photosOf

	loosenPhotosOf = `INSERT INTO loose_files (organisation, file, since) SELECT organisation, file, 0 FROM attachments WHERE ` + photosOfAlone

	erasePhotosOf = `DELETE FROM attachments WHERE ` + photosOfAlone

	erasePhotoLinks = `DELETE FROM photo_links WHERE organisation = $1 AND vehicle = $2`

	eraseVehicle = `DELETE FROM vehicles WHERE organisation = $1 AND reference = $2`

	assessmentColumns = `id, report_id, vehicle, ordinal, gate, rule_set, rule_set_version, rule_set_digest,
    state, attempt, created_at, enqueued_at, finished_at, as_of, verdict_state, blockers, problem`

	selectAssessment = `SELECT ` + assessmentColumns + `, body FROM assessments WHERE organisation = $1 AND id = $2`

	// Workers know an assessment by its id alone: it tells them whose it is.
	selectState = `SELECT state FROM assessments WHERE id = $1`

	startAssessment = `
UPDATE assessments SET state = 'running', starts = starts + 1 WHERE id = $1 AND finished_at IS NULL
RETURNING ` + assessmentColumns + `, organisation, starts, COALESCE(batch, '')`

	finishedColumns = `id, organisation, vehicle, ordinal, report_id, gate, rule_set, rule_set_version, rule_set_digest,
    (SELECT r.reference FROM reports AS r WHERE r.organisation = assessments.organisation AND r.id = assessments.report_id)`

	finishAssessment = `
UPDATE assessments SET state = 'done', finished_at = $1, as_of = $2, verdict_state = $3, blockers = $4, summary = NULLIF($5, ''), body = $6
WHERE id = $7 AND finished_at IS NULL
RETURNING ` + finishedColumns

	// A late word about an earlier assessment changes nothing.
	noteVerdict = `
UPDATE vehicles SET assessed = $1, gates_before = gates, gates = $2, applying = $3, looked_at = $4, coverage = $5
WHERE organisation = $6 AND reference = $7 AND assessed <= $1
RETURNING gates_before`

	// The states of all gates as one JSON object, by gate, and what is in the way as another: in both
	// engines json_each takes them apart. Values are JSON in one and text in the other, hence the quotes.
	noteGates = `
INSERT INTO vehicle_gates (organisation, vehicle, gate, assessed, state, in_the_way)
SELECT v.organisation, v.reference, s.key, v.assessed, trim(CAST(s.value AS TEXT), '"'), CAST(CAST(n.value AS TEXT) AS BIGINT)
FROM vehicles AS v CROSS JOIN json_each($1) AS s JOIN json_each($2) AS n ON n.key = s.key
WHERE v.organisation = $3 AND v.reference = $4
ON CONFLICT (organisation, vehicle, gate) DO UPDATE SET
    assessed = excluded.assessed, state = excluded.state, in_the_way = excluded.in_the_way`

	putBackAssessment = `UPDATE assessments SET starts = starts - 1 WHERE id = $1 AND finished_at IS NULL AND starts > 0`

	failAssessment = `
UPDATE assessments SET state = 'failed', finished_at = $1, problem = $2
WHERE id = $3 AND finished_at IS NULL
RETURNING ` + finishedColumns

	retryAssessment = `
UPDATE assessments SET state = 'queued', starts = 0, enqueued_at = $1, finished_at = NULL, problem = NULL, batch = NULL
WHERE organisation = $2 AND id = $3 AND state = 'failed'
RETURNING attempt`

	selectOwnState = `SELECT state FROM assessments WHERE organisation = $1 AND id = $2`

	// A late word about an earlier attempt changes nothing.
	noteEnqueued = `
UPDATE assessments SET attempt = $1, enqueued_at = $2
WHERE id = $3 AND finished_at IS NULL AND attempt <= $1`

	selectWaiting = `
SELECT ` + assessmentColumns + ` FROM assessments
WHERE finished_at IS NULL AND batch IS NULL AND enqueued_at < $1
ORDER BY enqueued_at, id LIMIT $2`

	selectWaitingAhead = `
SELECT ` + assessmentColumns + ` FROM assessments
WHERE finished_at IS NULL AND batch IS NULL AND enqueued_at > $1
ORDER BY enqueued_at, id LIMIT $2`

	// Indexes have just the rows that are counted: what is done costs nothing. What was cancelled has
	// failed as somebody wanted.
	selectBacklog = `
SELECT count(*), min(created_at),
    (SELECT count(*) FROM assessments AS f WHERE f.state = 'failed'
        AND NOT EXISTS (SELECT 1 FROM batches AS b WHERE b.id = f.batch AND b.state = 'cancelled')),
    (SELECT count(*) FROM batch_chunks WHERE finished_at IS NULL),
    (SELECT count(*) FROM plans WHERE finished_at IS NULL)
FROM assessments WHERE finished_at IS NULL AND batch IS NULL`

	// From one organisation to the next along the index, however much waits.
	selectQueueing = `
WITH RECURSIVE queueing (organisation) AS (
    SELECT min(organisation) FROM assessments WHERE state = 'queued' AND batch IS NULL
    UNION ALL
    SELECT (SELECT min(n.organisation) FROM assessments AS n WHERE n.state = 'queued' AND n.batch IS NULL AND n.organisation > queueing.organisation) FROM queueing WHERE queueing.organisation IS NOT NULL)
SELECT organisation FROM queueing WHERE organisation IS NOT NULL`

	takeAssessment = `
UPDATE assessments SET state = 'running' WHERE organisation = $1 AND state = 'queued' AND id = (
    SELECT w.id FROM assessments AS w WHERE w.organisation = $1 AND w.state = 'queued' AND w.batch IS NULL ORDER BY w.enqueued_at, w.id LIMIT 1)
RETURNING id`

	selectQueueingPlans = `
WITH RECURSIVE queueing (organisation) AS (
    SELECT min(organisation) FROM plans WHERE state = 'queued'
    UNION ALL
    SELECT (SELECT min(n.organisation) FROM plans AS n WHERE n.state = 'queued' AND n.organisation > queueing.organisation) FROM queueing WHERE queueing.organisation IS NOT NULL)
SELECT organisation FROM queueing WHERE organisation IS NOT NULL`

	takePlan = `
UPDATE plans SET state = 'running' WHERE organisation = $1 AND state = 'queued' AND id = (
    SELECT w.id FROM plans AS w WHERE w.organisation = $1 AND w.state = 'queued' ORDER BY w.enqueued_at, w.id LIMIT 1)
RETURNING id`

	selectQueueingChunks = `
WITH RECURSIVE queueing (organisation) AS (
    SELECT min(organisation) FROM batch_chunks WHERE finished_at IS NULL AND begun_at IS NULL
    UNION ALL
    SELECT (SELECT min(n.organisation) FROM batch_chunks AS n WHERE n.finished_at IS NULL AND n.begun_at IS NULL AND n.organisation > queueing.organisation) FROM queueing WHERE queueing.organisation IS NOT NULL)
SELECT organisation FROM queueing WHERE organisation IS NOT NULL`

	takeChunk = `
UPDATE batch_chunks SET begun_at = enqueued_at WHERE organisation = $1 AND finished_at IS NULL AND begun_at IS NULL AND id = (
    SELECT w.id FROM batch_chunks AS w WHERE w.organisation = $1 AND w.finished_at IS NULL AND w.begun_at IS NULL ORDER BY w.enqueued_at, w.id LIMIT 1)
RETURNING id`

	selectHistory = `
SELECT ` + assessmentColumns + `, summary FROM assessments
WHERE organisation = $1 AND vehicle = $2 AND ($3 = '' OR (ordinal, created_at, id) < (
    SELECT c.ordinal, c.created_at, c.id FROM assessments AS c
    WHERE c.organisation = $1 AND c.vehicle = $2 AND c.id = $3))
ORDER BY ordinal DESC, created_at DESC, id DESC LIMIT $4`

	vehicleColumns = `v.reference, v.description, v.reports - v.withdrawals - v.withdrawn, v.withdrawn, v.updated_at, v.applying, v.looked_at, v.coverage,
    EXISTS (
        SELECT 1 FROM assessments AS w
        WHERE w.organisation = v.organisation AND w.vehicle = v.reference AND w.finished_at IS NULL AND w.ordinal > COALESCE(n.ordinal, v.void)),
    ` + assessmentColumns

	// newestAssessment joins a vehicle v with its newest finished assessment n, if there is one:
	// a look-up in the index for each vehicle listed.
	newestAssessment = `
LEFT JOIN assessments AS n ON n.id = (
    SELECT d.id FROM assessments AS d
    WHERE d.organisation = v.organisation AND d.vehicle = v.reference AND d.state = 'done' AND d.ordinal > v.void
    ORDER BY d.ordinal DESC, d.created_at DESC, d.id DESC LIMIT 1)`

	selectVehicle = `SELECT ` + vehicleColumns + `, n.summary FROM vehicles AS v` + newestAssessment + ` WHERE v.organisation = $1 AND v.reference = $2`

	// A list judges every vehicle at one gate. What was written down of an earlier assessment than the
	// newest, by a program that knew no better or of a gate that is gone, does not count.
	judged = `g.organisation = c.organisation AND g.vehicle = c.reference AND g.gate = $1 AND g.assessed = c.assessed`

	// The patterns that are searched for are the keys of a JSON object: those both engines have as text. Those that are
	// missing are counted, and not asked whether there are any: of that PostgreSQL makes a join over all vehicles.
	lacks = `lower(c.reference || ' ' || c.description) NOT LIKE w.key ESCAPE '!'`

	listedColumns = `c.organisation, c.reference, c.description, c.reports, c.withdrawals, c.withdrawn, c.void, c.updated_at, c.applying, c.looked_at, c.coverage`

	// The page is cut before the join, so that the join sees no more than the page.
	pageOfVehicles = `
SELECT ` + vehicleColumns + `, n.summary, v.at_state, v.in_the_way FROM (
    SELECT ` + listedColumns + `, g.state AS at_state, g.in_the_way FROM vehicles AS c LEFT JOIN vehicle_gates AS g ON ` + judged + `
    WHERE c.organisation = $2 AND ($3 = '' OR g.state = $3) AND (SELECT count(*) FROM json_each($4) AS w WHERE ` + lacks + `) < 1`

	selectVehicles = pageOfVehicles + `
    AND (c.updated_at, c.reference) < ($5, $6)
    ORDER BY c.updated_at DESC, c.reference DESC LIMIT $7) AS v` + newestAssessment + `
ORDER BY v.updated_at DESC, v.reference DESC`

	selectVehiclesByReference = pageOfVehicles + `
    AND c.reference > $5
    ORDER BY c.reference LIMIT $6) AS v` + newestAssessment + `
ORDER BY v.reference`

	// Those that are judged at the gate.
	selectVehiclesByBlockers = `
SELECT ` + vehicleColumns + `, n.summary, v.at_state, v.in_the_way FROM (
    SELECT ` + listedColumns + `, g.state AS at_state, g.in_the_way FROM vehicle_gates AS g JOIN vehicles AS c ON ` + judged + `
    WHERE c.organisation = $2 AND ($3 = '' OR g.state = $3) AND (SELECT count(*) FROM json_each($4) AS w WHERE ` + lacks + `) < 1
    AND g.organisation = $2 AND (g.in_the_way, g.vehicle) < ($5, $6)
    ORDER BY g.in_the_way DESC, g.vehicle DESC LIMIT $7) AS v` + newestAssessment + `
ORDER BY v.in_the_way DESC, v.reference DESC`

	// And the others, which come after them: they are looked for along the vehicles, and only where the
	// first do not fill a page.
	selectVehiclesNotJudged = `
SELECT ` + vehicleColumns + `, n.summary, NULL, NULL FROM (
    SELECT ` + listedColumns + ` FROM vehicles AS c
    WHERE COALESCE((SELECT g.assessed FROM vehicle_gates AS g WHERE g.organisation = c.organisation AND g.vehicle = c.reference AND g.gate = $1), -1) <> c.assessed
    AND c.organisation = $2 AND (SELECT count(*) FROM json_each($3) AS w WHERE ` + lacks + `) < 1 AND ($4 = '' OR c.reference < $4)
    ORDER BY c.reference DESC LIMIT $5) AS v` + newestAssessment + `
ORDER BY v.reference DESC`

	// From one gate to the next along the index, however many vehicles there are.
	selectGates = `
WITH RECURSIVE known (gate) AS (
    SELECT min(gate) FROM vehicle_gates WHERE organisation = $1
    UNION ALL
    SELECT (SELECT min(n.gate) FROM vehicle_gates AS n WHERE n.organisation = $1 AND n.gate > known.gate) FROM known WHERE known.gate IS NOT NULL)
SELECT gate FROM known WHERE gate IS NOT NULL`

	selectVehicleExists = `SELECT 1 FROM vehicles WHERE organisation = $1 AND reference = $2`

	insertRuleSet = `
INSERT INTO rule_sets (digest, name, version, canonical) VALUES ($1, $2, $3, $4)
ON CONFLICT (digest) DO NOTHING`

	selectRuleSet = `SELECT canonical FROM rule_sets WHERE digest = $1`

	// A second transaction with the version waits here for the end of the first.
	insertPublication = `
INSERT INTO publications (organisation, name, version, digest, purpose, published_at)
VALUES ($1, $2, $3, $4, $5, $6)
ON CONFLICT (organisation, name, version) DO NOTHING`

	selectPublishedDigest = `SELECT digest FROM publications WHERE organisation = $1 AND name = $2 AND version = $3`

	selectPublications = `SELECT name, version, digest, purpose, published_at FROM publications WHERE organisation = $1`

	// #nosec G101 -- it asks about keys and holds none
	insertAPIKey = `
INSERT INTO api_keys (id, organisation, label, scopes, digest, created_at, expires_at)
VALUES ($1, $2, $3, $4, $5, $6, $7)`

	apiKeyColumns = `id, organisation, label, scopes, created_at, expires_at, revoked_at, last_used_at`

	// Whose request it is shows only once its key is known.
	selectAPIKey = `SELECT ` + apiKeyColumns + `, digest FROM api_keys WHERE id = $1`

	selectAPIKeys = `
SELECT ` + apiKeyColumns + ` FROM api_keys WHERE organisation = $1 OR $1 = ''
ORDER BY organisation, created_at, id`

	// #nosec G101 -- it asks about keys and holds none
	revokeAPIKey = `
UPDATE api_keys SET revoked_at = $1 WHERE organisation = $2 AND id = $3 AND revoked_at IS NULL`

	// #nosec G101 -- it asks about keys and holds none
	selectOwnAPIKey = `SELECT 1 FROM api_keys WHERE organisation = $1 AND id = $2`

	// #nosec G101 -- it asks about keys and holds none
	noteAPIKeyUsed = `
UPDATE api_keys SET last_used_at = $1 WHERE id = $2 AND (last_used_at IS NULL OR last_used_at < $1)`

	// #nosec G101 -- it asks about keys and holds none
	selectAnyAPIKey = `
SELECT EXISTS (SELECT 1 FROM api_keys WHERE revoked_at IS NULL AND (expires_at IS NULL OR expires_at > $1))`

	selectRetention = `SELECT days FROM retention WHERE organisation = $1`

	setRetention = `
INSERT INTO retention (organisation, days) VALUES ($1, $2)
ON CONFLICT (organisation) DO UPDATE SET days = excluded.days`

	deleteRetention = `DELETE FROM retention WHERE organisation = $1`

	// Along the index of each organisation that has one: what is kept is not looked at.
	selectOutlived = `
SELECT v.organisation, v.reference, CAST($1 AS BIGINT) - r.days * 86400000
FROM retention AS r JOIN vehicles AS v ON v.organisation = r.organisation AND v.updated_at < CAST($1 AS BIGINT) - r.days * 86400000
LIMIT $2`

	insertDeed = `
INSERT INTO audit (id, organisation, at, through, api_key, action, subject, detail)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`

	selectDeeds = `
SELECT id, at, through, api_key, action, subject, detail FROM audit
WHERE organisation = $1 AND ($2 = '' OR place < (
    SELECT c.place FROM audit AS c WHERE c.organisation = $1 AND c.id = $2))
ORDER BY place DESC LIMIT $3`

	insertSession = `INSERT INTO sessions (digest, key_id, expires_at) VALUES ($1, $2, $3)`

	selectSession = `SELECT key_id FROM sessions WHERE digest = $1 AND expires_at > $2`

	deleteSession = `DELETE FROM sessions WHERE digest = $1`

	// There are few: no key has more than some.
	deleteOldSessions = `
DELETE FROM sessions WHERE expires_at <= $1 OR digest IN (
    SELECT digest FROM sessions WHERE key_id = $2 ORDER BY expires_at DESC, digest LIMIT 1000000 OFFSET $3)`

	batchColumns = `id, organisation, kind, gate, rule_set, rule_set_version, rule_set_digest, COALESCE(idempotency_key, ''), fingerprint, created_at,
    state, tally, through, lines, refused, done, failed, changed, chunks, chunks_finished, received_at, finished_at`

	// A second transaction with the key waits here for the end of the first.
	insertBatch = `
INSERT INTO batches (id, organisation, kind, state, gate, rule_set, rule_set_version, rule_set_digest, idempotency_key, fingerprint, tally, created_at)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, NULLIF($9, ''), $10, '', $11)
ON CONFLICT (organisation, idempotency_key) DO NOTHING
RETURNING ` + batchColumns

	selectBatch = `SELECT ` + batchColumns + ` FROM batches WHERE organisation = $1 AND id = $2`

	selectBatchByKey = `SELECT ` + batchColumns + ` FROM batches WHERE organisation = $1 AND idempotency_key = $2`

	selectBatches = `
SELECT ` + batchColumns + ` FROM batches
WHERE organisation = $1 AND ($2 = '' OR (created_at, id) < ($3, $2))
ORDER BY created_at DESC, id DESC LIMIT $4`

	insertLine = `INSERT INTO batch_lines (batch, line, chunk, vehicle, assessment_id, problem) VALUES ($1, $2, $3, $4, NULLIF($5, ''), NULLIF($6, ''))`

	insertChunk = `INSERT INTO batch_chunks (id, batch, number, enqueued_at, organisation) VALUES ($1, $2, $3, $4, $5)`

	// Two that send the same lines do not both get past this.
	growBatch = `
UPDATE batches SET through = $1, lines = lines + $2, refused = refused + $3, chunks = chunks + $4, tally = $5
WHERE organisation = $6 AND id = $7 AND state = 'receiving' AND through = $8
RETURNING state`

	closeBatch = `
UPDATE batches SET received_at = $1,
    state = CASE WHEN chunks_finished = chunks THEN 'done' ELSE 'working' END,
    finished_at = CASE WHEN chunks_finished = chunks THEN $1 ELSE finished_at END
WHERE organisation = $2 AND id = $3 AND state = 'receiving'
RETURNING ` + batchColumns

	cancelBatch = `
UPDATE batches SET state = 'cancelled', finished_at = CASE WHEN chunks_finished = chunks THEN CAST($1 AS BIGINT) END
WHERE organisation = $2 AND id = $3 AND state IN ('receiving', 'working')
RETURNING ` + batchColumns

	insertLinesOfBatch = `
INSERT INTO batch_lines (batch, line, chunk, vehicle, assessment_id)
SELECT $1, row_number() OVER (ORDER BY l.line), (row_number() OVER (ORDER BY l.line) - 1) / $2 + 1, l.vehicle, l.assessment_id
FROM batch_lines AS l JOIN batches AS b ON b.id = l.batch
WHERE b.organisation = $3 AND l.batch = $4 AND l.assessment_id IS NOT NULL
ORDER BY l.line LIMIT $5`

	insertLinesOfAll = `
INSERT INTO batch_lines (batch, line, chunk, vehicle)
SELECT $1, row_number() OVER (ORDER BY reference), (row_number() OVER (ORDER BY reference) - 1) / $2 + 1, reference
FROM vehicles WHERE organisation = $3
ORDER BY reference LIMIT $4`

	lineColumns = `l.line, l.vehicle, l.problem, l.result,
    a.id, a.report_id, a.vehicle, a.ordinal, a.gate, a.rule_set, a.rule_set_version, a.rule_set_digest,
    a.state, a.attempt, a.created_at, a.enqueued_at, a.finished_at, a.as_of, a.verdict_state, a.blockers, a.problem, a.summary,
    (SELECT r.reference FROM reports AS r WHERE r.organisation = a.organisation AND r.id = a.report_id)`

	selectLines = `
SELECT ` + lineColumns + ` FROM batches AS b JOIN batch_lines AS l ON l.batch = b.id
LEFT JOIN assessments AS a ON a.organisation = b.organisation AND a.id = l.assessment_id
WHERE b.organisation = $1 AND b.id = $2 AND l.line > $3 ORDER BY l.line LIMIT $4`

	// Workers know a chunk by its id alone: it tells them whose it is.
	selectChunk = `
SELECT c.id, c.number, c.attempt, c.finished_at, b.id, b.organisation, b.kind, b.gate, b.rule_set, b.rule_set_version, b.rule_set_digest, b.state
FROM batch_chunks AS c JOIN batches AS b ON b.id = c.batch WHERE c.id = $1`

	selectChunkLines = `
SELECT ` + lineColumns + ` FROM batch_lines AS l
LEFT JOIN assessments AS a ON a.organisation = $1 AND a.id = l.assessment_id
WHERE l.batch = $2 AND l.chunk = $3 AND l.problem IS NULL AND l.result IS NULL ORDER BY l.line`

	selectChunkCounts = `
SELECT count(*) FILTER (WHERE a.state = 'done'), count(*) FILTER (WHERE a.state = 'failed'), count(*) FILTER (WHERE a.finished_at IS NULL)
FROM batch_lines AS l JOIN assessments AS a ON a.organisation = $1 AND a.id = l.assessment_id
WHERE l.batch = $2 AND l.chunk = $3`

	finishChunk = `UPDATE batch_chunks SET finished_at = $1 WHERE id = $2 AND finished_at IS NULL`

	// A line whose vehicle was erased meanwhile stays as it is.
	finishLine = `
UPDATE batch_lines SET result = NULLIF($1, ''), problem = NULLIF($2, '')
WHERE batch = $3 AND line = $4 AND result IS NULL AND problem IS NULL`

	// It waits for others who finish chunks of the batch, so that one of them sees the last.
	chunkFinished = `
UPDATE batches SET done = done + $1, failed = failed + $2, changed = changed + $3, chunks_finished = chunks_finished + 1,
    state = CASE WHEN state = 'working' AND chunks_finished + 1 = chunks THEN 'done' ELSE state END,
    finished_at = CASE WHEN state IN ('working', 'cancelled') AND chunks_finished + 1 = chunks THEN CAST($4 AS BIGINT) END
WHERE organisation = $5 AND id = $6
RETURNING ` + batchColumns

	selectWaitingChunks = `
SELECT id, attempt FROM batch_chunks
WHERE finished_at IS NULL AND (enqueued_at < $1 OR enqueued_at > $2)
ORDER BY enqueued_at, id LIMIT $3`

	noteChunkEnqueued = `
UPDATE batch_chunks SET attempt = $1, enqueued_at = $2
WHERE id = $3 AND finished_at IS NULL AND attempt <= $1`

	insertEvent = `INSERT INTO events (id, organisation, type, recorded_at, body) VALUES ($1, $2, $3, $4, $5)`

	insertDeliveries = `
INSERT INTO deliveries (organisation, subscription, event, due_at)
SELECT s.organisation, s.id, CAST($1 AS TEXT), CAST($2 AS BIGINT) FROM subscriptions AS s
WHERE s.organisation = $3 AND s.disabled_at IS NULL AND (s.types = '' OR ' ' || s.types || ' ' LIKE '% ' || CAST($4 AS TEXT) || ' %')`

	insertDelivery = `INSERT INTO deliveries (organisation, subscription, event, due_at) VALUES ($1, $2, $3, $4)`

	selectEvents = `
SELECT place, id, type, recorded_at, body FROM events
WHERE organisation = $1 AND place > $2 AND recorded_at <= $3
ORDER BY place LIMIT $4`

	selectEventPlace = `SELECT place, recorded_at FROM events WHERE organisation = $1 AND id = $2`

	selectPlaceBefore = `
SELECT COALESCE(
    (SELECT min(place) - 1 FROM events WHERE organisation = $1 AND recorded_at >= $2),
    (SELECT max(place) FROM events WHERE organisation = $1), 0)`

	// What is old is nobody's business any more, whosever it was. Deliveries go with it.
	pruneEvents = `DELETE FROM events WHERE place IN (SELECT place FROM events WHERE recorded_at < $1 ORDER BY recorded_at LIMIT $2)`

	insertSubscription = `
INSERT INTO subscriptions (id, organisation, url, types, secret, created_at)
SELECT CAST($1 AS TEXT), CAST($2 AS TEXT), CAST($3 AS TEXT), CAST($4 AS TEXT), CAST($5 AS TEXT), CAST($6 AS BIGINT)
WHERE (SELECT count(*) FROM subscriptions WHERE organisation = $2) < $7`

	subscriptionColumns = `id, organisation, url, types, secret, secret_before, before_until, created_at, disabled_at, disabled_why`

	selectSubscription = `SELECT ` + subscriptionColumns + ` FROM subscriptions WHERE organisation = $1 AND id = $2`

	selectSubscriptions = `SELECT ` + subscriptionColumns + ` FROM subscriptions WHERE organisation = $1 ORDER BY created_at, id`

	deleteSubscription = `DELETE FROM subscriptions WHERE organisation = $1 AND id = $2`

	// #nosec G101 -- it moves a secret and holds none
	rotateSecret = `
UPDATE subscriptions SET secret_before = secret, before_until = $1, secret = $2
WHERE organisation = $3 AND id = $4`

	disableSubscription = `
UPDATE subscriptions SET disabled_at = $1, disabled_why = $2
WHERE organisation = $3 AND id = $4 AND disabled_at IS NULL`

	resumeSubscription = `UPDATE subscriptions SET disabled_at = NULL, disabled_why = '' WHERE organisation = $1 AND id = $2`

	deliveryColumns = `d.number, d.subscription, d.event, e.type, d.state, d.attempts, d.status, d.trouble, d.tried_at, d.due_at, e.recorded_at`

	selectDeliveries = `
SELECT ` + deliveryColumns + ` FROM deliveries AS d JOIN events AS e ON e.id = d.event
WHERE d.organisation = $1 AND d.subscription = $2 AND ($3 = '' OR d.state = $3) AND d.number < $4
ORDER BY d.number DESC LIMIT $5`

	replayDelivery = `
UPDATE deliveries SET state = 'waiting', attempts = 0, due_at = $1
WHERE organisation = $2 AND subscription = $3 AND event = $4`

	// Dead ones of before the time as well: nobody has heard of them.
	replayDeliveries = `
UPDATE deliveries SET state = 'waiting', attempts = 0, due_at = $1
WHERE organisation = $2 AND subscription = $3
  AND (state = 'dead' OR event IN (SELECT id FROM events WHERE organisation = $2 AND recorded_at >= $4))`

	// What happened while a subscription was disabled, or before it was made.
	insertMissedDeliveries = `
INSERT INTO deliveries (organisation, subscription, event, due_at)
SELECT s.organisation, s.id, e.id, CAST($1 AS BIGINT) FROM subscriptions AS s JOIN events AS e ON e.organisation = s.organisation
WHERE s.organisation = $2 AND s.id = $3 AND e.recorded_at >= $4 AND e.type <> 'subscription.test'
  AND (s.types = '' OR ' ' || s.types || ' ' LIKE '% ' || e.type || ' %')
ON CONFLICT (subscription, event) DO NOTHING`

	// From one subscription to the next along the index, however much waits for it.
	selectDueSubscriptions = `
WITH RECURSIVE waiting (subscription) AS (
    SELECT min(subscription) FROM deliveries WHERE state = 'waiting'
    UNION ALL
    SELECT (SELECT min(n.subscription) FROM deliveries AS n WHERE n.state = 'waiting' AND n.subscription > waiting.subscription)
    FROM waiting WHERE waiting.subscription IS NOT NULL)
SELECT s.organisation, s.id FROM waiting AS w JOIN subscriptions AS s ON s.id = w.subscription
WHERE s.disabled_at IS NULL AND EXISTS (
    SELECT 1 FROM deliveries AS d WHERE d.subscription = w.subscription AND d.state = 'waiting' AND d.due_at <= $1 AND d.leased_until <= $1)`

	selectFlying = `SELECT organisation, subscription, count(*) FROM deliveries WHERE leased_until > $1 GROUP BY organisation, subscription`

	selectDueOf = `
SELECT number FROM deliveries
WHERE organisation = $1 AND subscription = $2 AND state = 'waiting' AND due_at <= $3 AND leased_until <= $3 ORDER BY due_at, number LIMIT $4`

	// Two that claim at once may choose the same: the second waits for the first, sees the lease
	// then and leaves it.
	claimDelivery = `
UPDATE deliveries SET leased_until = $1 WHERE state = 'waiting' AND due_at <= $2 AND leased_until <= $2 AND number = $3`

	selectTask = `
SELECT d.number, d.attempts, d.event, e.body, s.id, s.organisation, s.url, s.secret, s.secret_before, s.before_until
FROM deliveries AS d JOIN subscriptions AS s ON s.id = d.subscription JOIN events AS e ON e.id = d.event
WHERE d.number = $1`

	// A late word about a try whose lease was over changes nothing of what has arrived meanwhile.
	settleDelivery = `
UPDATE deliveries SET state = $1, attempts = attempts + 1, status = $2, trouble = $3, tried_at = $4, due_at = $5, leased_until = 0
WHERE number = $6 AND state <> 'delivered'`

	selectDeliveryBacklog = `
SELECT count(*), min(d.due_at) FROM deliveries AS d JOIN subscriptions AS s ON s.id = d.subscription
WHERE d.state = 'waiting' AND d.due_at <= $1 AND s.disabled_at IS NULL`

	selectSchemaVersion = `SELECT max(version_id) FROM goose_db_version`

	// What a plan is made of: the newest assessment that has not failed and still says something of the vehicle.
	selectBasis = `
SELECT n.id, n.report_id, n.vehicle, n.ordinal, n.gate, n.rule_set, n.rule_set_version, n.rule_set_digest
FROM vehicles AS v JOIN assessments AS n ON n.organisation = v.organisation AND n.vehicle = v.reference
WHERE v.organisation = $1 AND v.reference = $2 AND n.ordinal > v.void AND n.state <> 'failed'
ORDER BY n.ordinal DESC, n.created_at DESC, n.id DESC LIMIT 1`

	// A second transaction with the key waits here for the end of the first.
	insertPlan = `
INSERT INTO plans (id, organisation, vehicle, ordinal, assessment_id, report_id, gate, rule_set, rule_set_version, rule_set_digest,
    request, idempotency_key, fingerprint, created_at, enqueued_at, what_if_of)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, NULLIF($12, ''), $13, $14, $14, NULLIF($15, ''))
ON CONFLICT (organisation, idempotency_key) DO NOTHING`

	selectPlanByKey = `SELECT id, fingerprint FROM plans WHERE organisation = $1 AND idempotency_key = $2`

	// Workers need not know whether a plan is current.
	workedColumns = `plans.id, plans.organisation, plans.vehicle, plans.ordinal, plans.assessment_id, plans.report_id, plans.gate, plans.rule_set, plans.rule_set_version, plans.rule_set_digest,
    plans.request, plans.state, plans.attempt, plans.starts, plans.created_at, plans.enqueued_at, plans.finished_at, plans.problem, COALESCE(plans.what_if_of, '')`

	// Of what came on the vehicle since, the reports of its own steps count for nothing, and no more does that one of them was
	// withdrawn, which takes an ordinal too unless another report brought it.
	planColumns = workedColumns + `,
    EXISTS (SELECT 1 FROM vehicles AS v WHERE v.organisation = plans.organisation AND v.reference = plans.vehicle AND v.reports = plans.ordinal + (
        SELECT COALESCE(SUM(CASE WHEN r.withdrawn_at IS NOT NULL AND r.replaced_by IS NULL THEN 2 ELSE 1 END), 0)
        FROM plan_ticks AS t JOIN reports AS r ON r.id = t.report_id AND r.organisation = t.organisation
        WHERE t.plan = plans.id AND r.ordinal > plans.ordinal))`

	// Who ticks a step waits here for whoever ticks another of the plan, or erases its vehicle.
	lockPlan = `UPDATE plans SET attempt = attempt WHERE organisation = $1 AND id = $2 AND vehicle = $3`

	insertTick = `
INSERT INTO plan_ticks (organisation, vehicle, plan, step, undone, done_on, inspector, report_id, said_at, said_by, idempotency_key, fingerprint)
VALUES ($1, $2, $3, $4, $5, $6, $7, NULLIF($8, ''), $9, $10, NULLIF($11, ''), $12)
ON CONFLICT (organisation, idempotency_key) DO NOTHING`

	selectTickByKey = `SELECT plan, fingerprint FROM plan_ticks WHERE organisation = $1 AND idempotency_key = $2`

	selectTicks = `
SELECT t.plan, t.step, t.undone, t.done_on, t.inspector, COALESCE(t.report_id, ''), t.said_at, t.said_by,
    NOT EXISTS (SELECT 1 FROM reports AS r WHERE r.organisation = t.organisation AND r.id = t.report_id AND r.withdrawn_at IS NOT NULL)
FROM plan_ticks AS t WHERE t.organisation = $1 AND t.vehicle = $2 AND ($3 = '' OR t.plan = $3) ORDER BY t.place`

	selectPlan = `SELECT ` + planColumns + `, plans.body FROM plans WHERE plans.organisation = $1 AND plans.id = $2`

	selectPlans = `
SELECT ` + planColumns + ` FROM plans
WHERE plans.organisation = $1 AND plans.vehicle = $2 AND plans.what_if_of IS NULL AND ($3 = '' OR (plans.created_at, plans.id) < ($4, $3))
ORDER BY plans.created_at DESC, plans.id DESC LIMIT $5`

	selectWhatIfs = `
SELECT ` + planColumns + `, plans.body FROM plans
WHERE plans.organisation = $1 AND plans.what_if_of = $2 ORDER BY plans.created_at, plans.id LIMIT $3`

	retryPlan = `
UPDATE plans SET state = 'queued', starts = 0, enqueued_at = $1, finished_at = NULL, problem = NULL
WHERE organisation = $2 AND id = $3 AND state = 'failed'
RETURNING attempt`

	selectOwnPlanState = `SELECT state FROM plans WHERE organisation = $1 AND id = $2`

	selectPlanState = `SELECT state FROM plans WHERE id = $1`

	startPlan = `
UPDATE plans SET state = 'running', starts = starts + 1 WHERE id = $1 AND finished_at IS NULL
RETURNING ` + workedColumns

	putBackPlan = `UPDATE plans SET starts = starts - 1 WHERE id = $1 AND finished_at IS NULL AND starts > 0`

	finishPlan = `
UPDATE plans SET state = 'done', finished_at = $1, body = $2 WHERE id = $3 AND finished_at IS NULL
RETURNING ` + workedColumns

	failPlan = `
UPDATE plans SET state = 'failed', finished_at = $1, problem = $2 WHERE id = $3 AND finished_at IS NULL
RETURNING ` + workedColumns

	// A late word about an earlier attempt changes nothing.
	notePlanEnqueued = `
UPDATE plans SET attempt = $1, enqueued_at = $2
WHERE id = $3 AND finished_at IS NULL AND attempt <= $1`

	selectWaitingPlans = `
SELECT ` + workedColumns + ` FROM plans
WHERE plans.finished_at IS NULL AND plans.enqueued_at < $1
ORDER BY plans.enqueued_at, plans.id LIMIT $2`

	selectWaitingPlansAhead = `
SELECT ` + workedColumns + ` FROM plans
WHERE plans.finished_at IS NULL AND plans.enqueued_at > $1
ORDER BY plans.enqueued_at, plans.id LIMIT $2`

	// Who looks a store through goes along the tables page by page, whosever the rows are, and is told with each row
	// what of it is to be found elsewhere. See verify.go.
	selectMigrations = `SELECT version_id FROM goose_db_version WHERE is_applied`

	walkVehicles = `
SELECT v.organisation, v.reference, v.reports, v.withdrawals, v.withdrawn, v.void, v.assessed, v.updated_at, v.gates,
    (SELECT count(*) FROM reports AS r WHERE r.organisation = v.organisation AND r.vehicle = v.reference),
    (SELECT count(*) FROM reports AS r WHERE r.organisation = v.organisation AND r.vehicle = v.reference AND r.withdrawn_ordinal IS NOT NULL),
    (SELECT count(*) FROM reports AS r WHERE r.organisation = v.organisation AND r.vehicle = v.reference AND r.withdrawn_ordinal IS NOT NULL
        AND NOT EXISTS (SELECT 1 FROM reports AS o WHERE o.organisation = v.organisation AND o.vehicle = v.reference AND o.ordinal = r.withdrawn_ordinal)),
    (SELECT count(*) FROM (SELECT r.ordinal FROM reports AS r WHERE r.organisation = v.organisation AND r.vehicle = v.reference
        UNION SELECT r.withdrawn_ordinal FROM reports AS r WHERE r.organisation = v.organisation AND r.vehicle = v.reference AND r.withdrawn_ordinal IS NOT NULL) AS taken),
    (SELECT max(received_at) FROM reports AS r WHERE r.organisation = v.organisation AND r.vehicle = v.reference),
    (SELECT count(*) - count(DISTINCT a.ordinal) FROM assessments AS a WHERE a.organisation = v.organisation AND a.vehicle = v.reference),
    COALESCE((SELECT max(a.ordinal) FROM assessments AS a WHERE a.organisation = v.organisation AND a.vehicle = v.reference AND a.state = 'done'), 0),
    (SELECT a.summary FROM assessments AS a WHERE a.organisation = v.organisation AND a.vehicle = v.reference AND a.state = 'done' AND a.ordinal = v.assessed AND a.ordinal > v.void
        ORDER BY a.created_at DESC, a.id DESC LIMIT 1),
    EXISTS (SELECT 1 FROM vehicle_spellings AS s WHERE s.organisation = v.organisation AND s.folded = lower(v.reference))
FROM vehicles AS v WHERE (v.organisation, v.reference) > ($1, $2) ORDER BY v.organisation, v.reference LIMIT $3`

	walkReports = `
SELECT ` + reportColumns + `, body, r.organisation,
    EXISTS (SELECT 1 FROM vehicles AS v WHERE v.organisation = r.organisation AND v.reference = r.vehicle),
    EXISTS (SELECT 1 FROM assessments AS a WHERE a.organisation = r.organisation AND a.vehicle = r.vehicle AND a.ordinal = r.ordinal AND a.report_id = r.id),
    r.withdrawn_ordinal IS NOT NULL
        AND EXISTS (SELECT 1 FROM reports AS o WHERE o.organisation = r.organisation AND o.vehicle = r.vehicle AND o.ordinal < r.withdrawn_ordinal
            AND (o.withdrawn_ordinal IS NULL OR o.withdrawn_ordinal > r.withdrawn_ordinal))
        AND NOT EXISTS (SELECT 1 FROM assessments AS a WHERE a.organisation = r.organisation AND a.vehicle = r.vehicle AND a.ordinal = r.withdrawn_ordinal),
    r.replaced_by IS NOT NULL AND NOT EXISTS (SELECT 1 FROM reports AS o WHERE o.organisation = r.organisation AND o.vehicle = r.vehicle AND o.id = r.replaced_by)
FROM reports AS r WHERE r.id > $1 ORDER BY r.id LIMIT $2`

	walkAssessments = `
SELECT ` + assessmentColumns + `, body, a.organisation,
    EXISTS (SELECT 1 FROM vehicles AS v WHERE v.organisation = a.organisation AND v.reference = a.vehicle),
    EXISTS (SELECT 1 FROM reports AS r WHERE r.id = a.report_id AND r.organisation = a.organisation AND r.vehicle = a.vehicle AND r.ordinal <= a.ordinal),
    EXISTS (SELECT 1 FROM reports AS r WHERE r.organisation = a.organisation AND r.vehicle = a.vehicle AND (r.ordinal = a.ordinal OR r.withdrawn_ordinal = a.ordinal)),
    EXISTS (SELECT 1 FROM rule_sets AS s WHERE s.digest = a.rule_set_digest)
FROM assessments AS a WHERE a.id > $1 ORDER BY a.id LIMIT $2`

	walkDone = `SELECT a.organisation, a.id FROM assessments AS a WHERE a.state = 'done' AND ($1 = '' OR a.id < $1) ORDER BY a.id DESC LIMIT $2`

	walkGates = `
SELECT g.organisation, g.vehicle, g.gate, g.state, g.in_the_way,
    EXISTS (SELECT 1 FROM vehicles AS v WHERE v.organisation = g.organisation AND v.reference = g.vehicle),
    (SELECT a.summary FROM vehicles AS v JOIN assessments AS a ON a.organisation = v.organisation AND a.vehicle = v.reference AND a.state = 'done' AND a.ordinal = v.assessed
        WHERE v.organisation = g.organisation AND v.reference = g.vehicle AND v.assessed = g.assessed AND v.assessed > v.void ORDER BY a.created_at DESC, a.id DESC LIMIT 1)
FROM vehicle_gates AS g WHERE (g.organisation, g.vehicle, g.gate) > ($1, $2, $3) ORDER BY g.organisation, g.vehicle, g.gate LIMIT $4`

	walkSpellings = `
SELECT s.organisation, s.folded, EXISTS (SELECT 1 FROM vehicles AS v WHERE v.organisation = s.organisation AND v.reference = s.vehicle)
FROM vehicle_spellings AS s WHERE (s.organisation, s.folded) > ($1, $2) ORDER BY s.organisation, s.folded LIMIT $3`

	walkRuleSets = `SELECT digest, name, version, canonical FROM rule_sets WHERE digest > $1 ORDER BY digest LIMIT $2`

	// Of a step of a plan something else was sent than is stored.
	walkKeys = `
SELECT k.organisation, k.key, k.fingerprint, r.id, r.body, a.gate, a.rule_set, a.rule_set_version,
    EXISTS (SELECT 1 FROM plan_ticks AS t WHERE t.organisation = r.organisation AND t.report_id = r.id)
FROM idempotency AS k
LEFT JOIN reports AS r ON r.organisation = k.organisation AND r.id = k.report_id
LEFT JOIN assessments AS a ON a.organisation = k.organisation AND a.id = k.assessment_id
WHERE (k.organisation, k.key) > ($1, $2) ORDER BY k.organisation, k.key LIMIT $3`

	walkPlans = `
SELECT ` + workedColumns + `, plans.body,
    EXISTS (SELECT 1 FROM vehicles AS v WHERE v.organisation = plans.organisation AND v.reference = plans.vehicle),
    EXISTS (SELECT 1 FROM assessments AS a WHERE a.id = plans.assessment_id AND a.organisation = plans.organisation AND a.vehicle = plans.vehicle)
FROM plans WHERE plans.id > $1 ORDER BY plans.id LIMIT $2`

	walkBatches = `
SELECT ` + batchColumns + `,
    (SELECT count(*) FROM batch_lines AS l WHERE l.batch = batches.id),
    (SELECT COALESCE(max(l.line), 0) FROM batch_lines AS l WHERE l.batch = batches.id),
    (SELECT count(*) FROM batch_lines AS l WHERE l.batch = batches.id AND l.assessment_id IS NULL AND l.problem <> $1),
    (SELECT count(*) FROM batch_lines AS l WHERE l.batch = batches.id AND l.problem = $1),
    (SELECT count(*) FROM batch_chunks AS c WHERE c.batch = batches.id),
    (SELECT count(*) FROM batch_chunks AS c WHERE c.batch = batches.id AND c.finished_at IS NOT NULL),
    (SELECT count(*) FROM batch_lines AS l JOIN batch_chunks AS c ON c.batch = l.batch AND c.number = l.chunk AND c.finished_at IS NOT NULL
        WHERE l.batch = batches.id AND (batches.kind = 'reports' AND l.assessment_id IS NOT NULL OR batches.kind = 'rescore' AND (l.result IS NOT NULL OR l.problem <> $1)))
FROM batches WHERE id > $2 ORDER BY id LIMIT $3`

	walkLines = `
SELECT l.batch, l.line, COALESCE(l.assessment_id, ''), b.organisation,
    l.assessment_id IS NOT NULL AND NOT EXISTS (SELECT 1 FROM assessments AS a WHERE a.organisation = b.organisation AND a.id = l.assessment_id)
FROM batch_lines AS l JOIN batches AS b ON b.id = l.batch
WHERE (l.batch, l.line) > ($1, $2) ORDER BY l.batch, l.line LIMIT $3`

	walkEvents = `
SELECT e.place, e.id, e.organisation,
    e.vehicle IS NOT NULL AND NOT EXISTS (SELECT 1 FROM vehicles AS v WHERE v.organisation = e.organisation AND v.reference = e.vehicle)
FROM events AS e WHERE e.place > $1 ORDER BY e.place LIMIT $2`

	walkSubscriptions = `SELECT ` + subscriptionColumns + ` FROM subscriptions WHERE id > $1 ORDER BY id LIMIT $2`

	// A file that is loose as well is about to be removed.
	walkAttachments = `
SELECT organisation, ` + attachmentColumns + `, EXISTS (SELECT 1 FROM loose_files AS l WHERE l.file = attachments.file)
FROM attachments WHERE (organisation, id) > ($1, $2) ORDER BY organisation, id LIMIT $3`

	// A subscription that has ended is in the audit trail; its deliveries go with their events.
	walkDeliveries = `
SELECT d.number, d.organisation, d.subscription, d.event,
    EXISTS (SELECT 1 FROM events AS e WHERE e.id = d.event AND e.organisation = d.organisation),
    EXISTS (SELECT 1 FROM subscriptions AS s WHERE s.id = d.subscription AND s.organisation = d.organisation)
        OR EXISTS (SELECT 1 FROM audit AS u WHERE u.organisation = d.organisation AND u.action = 'subscription.ended' AND u.subject = d.subscription)
FROM deliveries AS d WHERE d.number > $1 ORDER BY d.number LIMIT $2`

	walkAudit = `SELECT u.place, u.id, u.organisation, u.at, u.detail FROM audit AS u WHERE u.place > $1 ORDER BY u.place LIMIT $2`

	// PostgreSQL refuses by itself what is at odds with an index or a reference, unless somebody has told it not to look.
	selectUnproven = `
SELECT 'constraint ' || c.conname FROM pg_constraint AS c WHERE NOT c.convalidated AND c.connamespace = current_schema()::regnamespace
UNION ALL
SELECT 'index ' || c.relname FROM pg_index AS i JOIN pg_class AS c ON c.oid = i.indexrelid WHERE NOT (i.indisvalid AND i.indisready) AND c.relnamespace = current_schema()::regnamespace
UNION ALL
SELECT 'trigger ' || t.tgname || ' of ' || c.relname FROM pg_trigger AS t JOIN pg_class AS c ON c.oid = t.tgrelid WHERE t.tgenabled = 'D' AND c.relnamespace = current_schema()::regnamespace`

	selectBadPages = `SELECT COALESCE(checksum_failures, 0) FROM pg_stat_database WHERE datname = current_database()`
)

// orZero scans a column into To; NULL leaves it at its zero value.
type orZero[T any] struct{ To *T }

// Scan implements [sql.Scanner].
func (o orZero[T]) Scan(value any) error {
	var n sql.Null[T]
	err := n.Scan(value)
	*o.To = n.V
	return err
}

// instant scans unix milliseconds into To; NULL gives the zero time.
type instant struct{ To *time.Time }

// Scan implements [sql.Scanner].
func (i instant) Scan(value any) error {
	var n sql.NullInt64
	if err := n.Scan(value); err != nil {
		return err
	}
	*i.To = time.Time{}
	if n.Valid {
		*i.To = time.UnixMilli(n.Int64).UTC()
	}
	return nil
}
