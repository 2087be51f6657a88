package store

import (
	"database/sql"
	"time"
)

// Every query of the package. Both engines run the same text. SQLite numbers parameters as they
// first appear, so $1, $2, … must first appear in that order; a test sees to it.
const (
	// The statement locks the vehicle's row until the transaction ends: reports on one vehicle
	// are numbered, and become visible, one after the other.
	upsertVehicle = `
INSERT INTO vehicles (organisation, reference, description, reports, updated_at)
VALUES ($1, $2, $3, 1, $4)
ON CONFLICT (organisation, reference) DO UPDATE SET
    reports = vehicles.reports + 1,
    description = CASE WHEN excluded.description = '' THEN vehicles.description ELSE excluded.description END,
    updated_at = CASE WHEN excluded.updated_at > vehicles.updated_at THEN excluded.updated_at ELSE vehicles.updated_at END
WHERE $5 = 0 OR vehicles.reports < $5
RETURNING reports`

	insertReport = `
INSERT INTO reports (id, organisation, vehicle, ordinal, reference, inspected, received_at, body)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`

	insertAssessment = `
INSERT INTO assessments (id, organisation, report_id, vehicle, ordinal, gate, rule_set, rule_set_version, rule_set_digest, created_at, enqueued_at, batch)
VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $10, NULLIF($11, ''))`

	// A second transaction with the key waits here for the end of the first.
	insertKey = `
INSERT INTO idempotency (organisation, key, fingerprint, report_id, assessment_id, created_at)
VALUES ($1, $2, $3, $4, $5, $6)
ON CONFLICT (organisation, key) DO NOTHING`

	selectKey = `SELECT fingerprint, report_id, assessment_id FROM idempotency WHERE organisation = $1 AND key = $2`

	reportColumns = `id, vehicle, ordinal, reference, inspected, received_at, body`

	selectReport = `SELECT ` + reportColumns + ` FROM reports WHERE organisation = $1 AND id = $2`

	selectDossier = `SELECT ` + reportColumns + ` FROM reports WHERE organisation = $1 AND vehicle = $2 AND ordinal <= $3 ORDER BY ordinal`

	assessmentColumns = `id, report_id, vehicle, ordinal, gate, rule_set, rule_set_version, rule_set_digest,
    state, attempt, created_at, enqueued_at, finished_at, as_of, verdict_state, blockers, problem`

	selectAssessment = `SELECT ` + assessmentColumns + `, body FROM assessments WHERE organisation = $1 AND id = $2`

	// Workers know an assessment by its id alone: it tells them whose it is.
	selectState = `SELECT state FROM assessments WHERE id = $1`

	startAssessment = `
UPDATE assessments SET state = 'running', starts = starts + 1 WHERE id = $1 AND finished_at IS NULL
RETURNING ` + assessmentColumns + `, organisation, starts, COALESCE(batch, '')`

	finishedColumns = `id, organisation, vehicle, ordinal, report_id, gate, rule_set, rule_set_version, rule_set_digest`

	finishAssessment = `
UPDATE assessments SET state = 'done', finished_at = $1, as_of = $2, verdict_state = $3, blockers = $4, summary = $5, body = $6
WHERE id = $7 AND finished_at IS NULL
RETURNING ` + finishedColumns

	// A late word about an earlier assessment changes nothing.
	noteVerdict = `
UPDATE vehicles SET assessed = $1, verdict = $2, in_the_way = $3, gates_before = gates, gates = $4
WHERE organisation = $5 AND reference = $6 AND assessed <= $1
RETURNING gates_before`

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
    (SELECT count(*) FROM batch_chunks WHERE finished_at IS NULL)
FROM assessments WHERE finished_at IS NULL AND batch IS NULL`

	selectHistory = `
SELECT ` + assessmentColumns + ` FROM assessments
WHERE organisation = $1 AND vehicle = $2 AND ($3 = '' OR (ordinal, created_at, id) < (
    SELECT c.ordinal, c.created_at, c.id FROM assessments AS c
    WHERE c.organisation = $1 AND c.vehicle = $2 AND c.id = $3))
ORDER BY ordinal DESC, created_at DESC, id DESC LIMIT $4`

	vehicleColumns = `v.reference, v.description, v.reports, v.updated_at,
    EXISTS (
        SELECT 1 FROM assessments AS w
        WHERE w.organisation = v.organisation AND w.vehicle = v.reference AND w.finished_at IS NULL AND w.ordinal > COALESCE(n.ordinal, 0)),
    ` + assessmentColumns

	// newestAssessment joins a vehicle v with its newest finished assessment n, if there is one:
	// a look-up in the index for each vehicle listed.
	newestAssessment = `
LEFT JOIN assessments AS n ON n.id = (
    SELECT d.id FROM assessments AS d
    WHERE d.organisation = v.organisation AND d.vehicle = v.reference AND d.state = 'done'
    ORDER BY d.ordinal DESC, d.created_at DESC, d.id DESC LIMIT 1)`

	selectVehicle = `SELECT ` + vehicleColumns + ` FROM vehicles AS v` + newestAssessment + ` WHERE v.organisation = $1 AND v.reference = $2`

	// The page is cut before the join, so that the join sees no more than the page.
	pageOfVehicles = `
SELECT ` + vehicleColumns + ` FROM (
    SELECT organisation, reference, description, reports, updated_at, in_the_way FROM vehicles
    WHERE organisation = $1 AND ($2 = '' OR verdict = $2) AND lower(reference || ' ' || description) LIKE $3 ESCAPE '!'`

	selectVehicles = pageOfVehicles + `
    AND (updated_at, reference) < ($4, $5)
    ORDER BY updated_at DESC, reference DESC LIMIT $6) AS v` + newestAssessment + `
ORDER BY v.updated_at DESC, v.reference DESC`

	selectVehiclesByReference = pageOfVehicles + `
    AND reference > $4
    ORDER BY reference LIMIT $5) AS v` + newestAssessment + `
ORDER BY v.reference`

	selectVehiclesByBlockers = pageOfVehicles + `
    AND (in_the_way, reference) < ($4, $5)
    ORDER BY in_the_way DESC, reference DESC LIMIT $6) AS v` + newestAssessment + `
ORDER BY v.in_the_way DESC, v.reference DESC`

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
UPDATE api_keys SET revoked_at = COALESCE(revoked_at, $1) WHERE organisation = $2 AND id = $3`

	// #nosec G101 -- it asks about keys and holds none
	noteAPIKeyUsed = `
UPDATE api_keys SET last_used_at = $1 WHERE id = $2 AND (last_used_at IS NULL OR last_used_at < $1)`

	// #nosec G101 -- it asks about keys and holds none
	selectAnyAPIKey = `
SELECT EXISTS (SELECT 1 FROM api_keys WHERE revoked_at IS NULL AND (expires_at IS NULL OR expires_at > $1))`

	insertSession = `INSERT INTO sessions (digest, key_id, expires_at) VALUES ($1, $2, $3)`

	selectSession = `SELECT key_id FROM sessions WHERE digest = $1 AND expires_at > $2`

	deleteSessions = `DELETE FROM sessions WHERE digest = $1 OR expires_at <= $2`

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

	insertChunk = `INSERT INTO batch_chunks (id, batch, number, enqueued_at) VALUES ($1, $2, $3, $4)`

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
    a.state, a.attempt, a.created_at, a.enqueued_at, a.finished_at, a.as_of, a.verdict_state, a.blockers, a.problem, a.summary`

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

	finishLine = `UPDATE batch_lines SET result = NULLIF($1, ''), problem = NULLIF($2, '') WHERE batch = $3 AND line = $4`

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

	selectAnyDue = `
SELECT EXISTS (
    SELECT 1 FROM deliveries AS d JOIN subscriptions AS s ON s.id = d.subscription
    WHERE d.state = 'waiting' AND d.due_at <= $1 AND d.leased_until <= $1 AND s.disabled_at IS NULL)`

	// Two that claim at once may choose the same: the second waits for the first, sees the lease
	// then and leaves it. A receiver that hangs has a few in flight, and the others their turn.
	claimDeliveries = `
UPDATE deliveries SET leased_until = $1
WHERE state = 'waiting' AND due_at <= $2 AND leased_until <= $2 AND number IN (
    SELECT w.number FROM (
        SELECT d.number, d.due_at,
            row_number() OVER (PARTITION BY d.subscription ORDER BY d.due_at, d.number) + COALESCE(f.flying, 0) AS turn
        FROM deliveries AS d JOIN subscriptions AS s ON s.id = d.subscription
        LEFT JOIN (
            SELECT subscription, count(*) AS flying FROM deliveries WHERE leased_until > $2 GROUP BY subscription
        ) AS f ON f.subscription = d.subscription
        WHERE d.state = 'waiting' AND d.due_at <= $2 AND d.leased_until <= $2 AND s.disabled_at IS NULL) AS w
    WHERE w.turn <= $3 ORDER BY w.due_at, w.number LIMIT $4)
RETURNING number`

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
