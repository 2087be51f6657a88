package wire

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/photo"
	"laidup/internal/webhook"
)

// Kind is a kind of error, as clients see it.
type Kind uint8

const (
	Internal Kind = iota // what nobody foresaw
	invalidReport
	InvalidTable
	faultyRuleSet
	versionPublished
	KeyReused
	dossierFull
	BadQuery
	badHeader
	NoSuchGate
	noSuchRuleSet
	BadRescoreOrder
	BadWithdrawal
	badPlanOrder
	badStepReport
	badOutcome
	nothingToReplace
	noPlans
	planNotFinished
	planFailed
	BadErasure
	BadRetention
	BatchMoved
	BatchClosed
	BadImport
	BodyCut
	BodySlow
	BodyTooLarge
	NotJSON
	badPhoto
	noAttachments
	NotAcceptable
	KeyNeeded
	ScopeNeeded
	CrossSite
	TooMany
	BadKeyOrder
	BadSubscription
	tooManySubscriptions
	subscriptionDisabled
	NoWebhooks
	notFailed
	NotFound
	NoSuchRoute
	noSuchMethod
	notFinished
	assessmentFailed
	notAssessedYet
	ClientGone
	Busy
	Unavailable
	Kinds // how many there are
)

// row is what all errors of one kind have in common. The type of a problem is /problems/ and the
// name; names are public and never change.
type row struct {
	Name, Title string
	Status      int
	Retry       int    // seconds; zero: trying again will not help
	Detail      string // where the error itself has none
}

// statusClientGone is what logs have for a request whose client did not wait for the answer.
const statusClientGone = 499

// Rows is the table of problems.
var Rows = [Kinds]row{
	Internal:             {"internal-error", "Internal error", http.StatusInternalServerError, 0, "Something failed on our side. Report the instance id to whoever runs the service."},
	invalidReport:        {"invalid-report", "Invalid report", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was stored."},
	InvalidTable:         {"invalid-table", "Invalid table", http.StatusUnprocessableEntity, 0, "The header row has the problems listed in errors. Fix them and send the file again. Nothing was stored."},
	faultyRuleSet:        {"faulty-rule-set", "Invalid rule set", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was stored."},
	versionPublished:     {"version-published", "Version already published", http.StatusConflict, 0, "A published version never changes. Use a higher version number."},
	KeyReused:            {"idempotency-key-reused", "Idempotency key already used", http.StatusUnprocessableEntity, 0, "This Idempotency-Key was used before with another report or gate. Use a new key for each report."},
	dossierFull:          {"dossier-full", "Too many reports on this vehicle", http.StatusConflict, 0, assess.DossierFullAdvice},
	BadQuery:             {"bad-query", "Invalid query", http.StatusBadRequest, 0, ""},
	badHeader:            {"bad-header", "Invalid header", http.StatusBadRequest, 0, ""},
	noSuchRuleSet:        {"no-such-rule-set", "Unknown rule set", http.StatusBadRequest, 0, "GET /v1/rule_sets lists the available rule sets."},
	NoSuchGate:           {"no-such-gate", "Unknown gate", http.StatusBadRequest, 0, ""},
	badPlanOrder:         {"bad-plan-order", "Invalid plan request", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was stored."},
	badStepReport:        {"bad-step-report", "Invalid step report", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was stored."},
	badOutcome:           {"bad-outcome", "Invalid outcome", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was stored."},
	nothingToReplace:     {"nothing-to-replace", "Nothing to replace", http.StatusConflict, 0, "replaces names no outcome of this vehicle that still stands for itself. GET /v1/vehicles/{reference}/outcomes lists them. Nothing was stored."},
	noPlans:              {"no-plans", "No plan possible", http.StatusConflict, 0, "There is no job book for the rule set of this vehicle's assessment."},
	planNotFinished:      {"plan-not-finished", "Plan not finished", http.StatusConflict, 1, "Try again shortly."},
	planFailed:           {"plan-failed", "Plan failed", http.StatusConflict, 0, ""},
	BadRescoreOrder:      {"bad-rescore-order", "Invalid rescore request", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was queued."},
	BadWithdrawal:        {"bad-withdrawal", "Invalid withdrawal", http.StatusUnprocessableEntity, 0, "Give the reason as {\"reason\": \"…\"}. Nothing was changed."},
	BadErasure:           {"bad-erasure", "Invalid erasure", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was erased."},
	BadRetention:         {"bad-retention", "Invalid retention", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was changed."},
	BatchMoved:           {"batch-moved", "Batch upload in progress", http.StatusConflict, 1, "This batch is being uploaded over another connection. Wait until that ends."},
	BatchClosed:          {"batch-closed", "Batch closed", http.StatusConflict, 0, "The batch is complete or was cancelled. Send more lines as a new batch, with a new Idempotency-Key."},
	BadImport:            {"bad-import", "Invalid export", http.StatusUnprocessableEntity, 0, "Send what GET /v1/export answers, as it is: the first line names the form urn:laidup:export:1. Nothing was taken."},
	BodyCut:              {"body-incomplete", "Incomplete body", http.StatusBadRequest, 0, "The body did not arrive completely. Send it again."},
	BodySlow:             {"body-too-slow", "Body too slow", http.StatusRequestTimeout, 0, ""},
	BodyTooLarge:         {"body-too-large", "Body too large", http.StatusRequestEntityTooLarge, 0, ""},
	NotJSON:              {"unsupported-media-type", "Unsupported media type", http.StatusUnsupportedMediaType, 0, "Send uncompressed JSON in UTF-8, with Content-Type: application/json."},
	badPhoto:             {"bad-photo", "Photo cannot be used", http.StatusUnprocessableEntity, 0, ""},
	noAttachments:        {"no-attachments", "Attachments not set up", http.StatusConflict, 0, "Whoever runs the service must set --attachments (a folder or an object store) on all servers and workers."},
	NotAcceptable:        {"not-acceptable", "Format not available", http.StatusNotAcceptable, 0, ""},
	KeyNeeded:            {"key-needed", "API key required", http.StatusUnauthorized, 0, "Send an API key: Authorization: Bearer lu_…. Whoever runs the service creates keys with laidup keys create."},
	ScopeNeeded:          {"scope-needed", "Scope missing", http.StatusForbidden, 0, ""},
	CrossSite:            {"cross-site", "Request from another site", http.StatusForbidden, 0, "Without an API key, the service answers only requests from this machine, and none from pages of other sites."},
	TooMany:              {"too-many-requests", "Too many requests", http.StatusTooManyRequests, 1, "Wait, or send many reports as one batch."},
	BadKeyOrder:          {"bad-key-order", "Invalid key request", http.StatusUnprocessableEntity, 0, ""},
	BadSubscription:      {"bad-subscription", "Invalid webhook", http.StatusUnprocessableEntity, 0, "Fix the problems listed in errors. Nothing was changed."},
	tooManySubscriptions: {"too-many-subscriptions", "Too many webhooks", http.StatusConflict, 0, fmt.Sprintf("The limit is %d. Delete one you no longer need.", webhook.MaxSubscriptions)},
	subscriptionDisabled: {"subscription-disabled", "Webhook disabled", http.StatusConflict, 0, "GET the webhook to see why, then resume it."},
	NoWebhooks:           {"no-webhooks", "Webhooks not set up", http.StatusConflict, 0, "Whoever runs the service must set --webhook-key (32 random bytes in base64) on all servers and workers."},
	notFailed:            {"not-failed", "Nothing to retry", http.StatusConflict, 0, "Only failed assessments and failed plans can be retried."},
	NotFound:             {"not-found", "Not found", http.StatusNotFound, 0, "Nothing is stored under this name."},
	NoSuchRoute:          {"no-such-route", "No such path", http.StatusNotFound, 0, "This path does not exist. See /docs for all paths."},
	noSuchMethod:         {"method-not-allowed", "Method not allowed", http.StatusMethodNotAllowed, 0, "Use one of the methods in the Allow header."},
	notFinished:          {"not-finished", "Assessment not finished", http.StatusConflict, 1, "Try again shortly."},
	assessmentFailed:     {"assessment-failed", "Assessment failed", http.StatusConflict, 0, ""},
	notAssessedYet:       {"not-assessed-yet", "Vehicle not assessed yet", http.StatusConflict, 1, "No assessment of this vehicle is finished. Try again shortly."},
	ClientGone:           {"client-gone", "Client closed the connection", statusClientGone, 0, "The client did not wait for the answer."},
	Busy:                 {"busy", "Busy", http.StatusServiceUnavailable, 10, "Rule sets are checked one at a time. Try again."},
	Unavailable:          {"unavailable", "Store unavailable", http.StatusServiceUnavailable, 5, "Try again. With an Idempotency-Key, repeating is safe."},
}

// Row is the row of a kind.
func (k Kind) Row() row { return Rows[k] }

// causes has the kinds of the errors of other packages.
var causes = []struct {
	err  error
	kind Kind
}{
	{assess.ErrUnavailable, Unavailable},
	{assess.ErrNotFound, NotFound},
	{access.ErrNotFound, NotFound},
	{webhook.ErrNotFound, NotFound},
	{webhook.ErrTooMany, tooManySubscriptions},
	{webhook.ErrDisabled, subscriptionDisabled},
	{webhook.ErrNoKey, NoWebhooks},
	{assess.ErrNotFailed, notFailed},
	{assess.ErrKeyReused, KeyReused},
	{assess.ErrDossierFull, dossierFull},
	{assess.ErrBatchClosed, BatchClosed},
	{assess.ErrNoExport, BadImport},
	{assess.ErrVersionPublished, versionPublished},
	{assess.ErrBusy, Busy},
	{assess.ErrNothingToReplace, nothingToReplace},
	{assess.ErrNoSuchRuleSet, noSuchRuleSet},
	{assess.ErrNotAssessedYet, notAssessedYet},
	{assess.ErrNoPlans, noPlans},
	{assess.ErrNoAttachments, noAttachments},
	{assess.ErrPlanUnfinished, planNotFinished},
	{echo.ErrNotFound, NoSuchRoute},
	{echo.ErrMethodNotAllowed, noSuchMethod},
}

// Problem is an error that says all that a client is to know of it.
type Problem struct {
	Kind   Kind
	Detail string // empty: that of the kind
	Header map[string]string
	Errors any // what clients get as errors: a list of faults; nil: none
}

// Says makes an error of the kind.
func (k Kind) Says(format string, args ...any) *Problem {
	return &Problem{Kind: k, Detail: fmt.Sprintf(format, args...)}
}

// Error is for logs.
func (p *Problem) Error() string { return p.Kind.Row().Name + ": " + p.Detail }

// problemBody is a problem in the form of RFC 9457.
type problemBody struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance"` // the id of the request
	Errors   any    `json:"errors,omitempty"`
}

// Body is what a client is answered: the problem, and the id of its request.
func (p *Problem) Body(instance string) problemBody {
	r := p.Kind.Row()
	detail := p.Detail
	if detail == "" {
		detail = r.Detail
	}
	return problemBody{"/problems/" + r.Name, r.Title, r.Status, detail, instance, p.Errors}
}

// ProblemOf translates an error.
func ProblemOf(err error) *Problem {
	var p *Problem
	var invalid *assess.InvalidError
	var order *assess.BadPlanOrderError
	var step *assess.BadStepReportError
	var bad *assess.BadOutcomeError
	var faulty *assess.FaultyRuleSetError
	var gate *assess.NoSuchGateError
	var wrongKind *photo.WrongKindError
	var unusable *photo.UnusableError
	var keyOrder access.OrderError
	var subscription webhook.OrderError
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &invalid):
		return &Problem{Kind: invalidReport, Errors: invalid.Faults}
	case errors.As(err, &faulty):
		return &Problem{Kind: faultyRuleSet, Errors: faulty.Faults}
	case errors.As(err, &order):
		return &Problem{Kind: badPlanOrder, Errors: order.Faults}
	case errors.As(err, &step):
		return &Problem{Kind: badStepReport, Errors: step.Faults}
	case errors.As(err, &bad):
		return &Problem{Kind: badOutcome, Errors: bad.Faults}
	case errors.As(err, &keyOrder):
		return BadKeyOrder.Says("%s", keyOrder)
	case errors.As(err, &subscription):
		return &Problem{Kind: BadSubscription, Errors: []webhook.Fault(subscription)}
	case errors.As(err, &wrongKind):
		return NotJSON.Says("%s", wrongKind)
	case errors.As(err, &unusable):
		return badPhoto.Says("%s", unusable)
	case errors.Is(err, assess.ErrManyPhotos):
		return Busy.Says("Many photos are being read. Try again.")
	case errors.As(err, &gate):
		return NoSuchGate.Says("the gates are %s", strings.Join(gate.Gates, ", "))
	}
	for _, c := range causes {
		if errors.Is(err, c.err) {
			return c.kind.Says("")
		}
	}
	return Internal.Says("")
}
