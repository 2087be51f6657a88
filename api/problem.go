package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"laidup/internal/access"
	"laidup/internal/assess"
	"laidup/internal/webhook"
)

// kind is a kind of error, as clients see it.
type kind uint8

const (
	internal kind = iota // what nobody foresaw
	invalidReport
	faultyRuleSet
	versionPublished
	keyReused
	dossierFull
	badQuery
	badHeader
	noSuchGate
	noSuchRuleSet
	badRescoreOrder
	batchMoved
	batchClosed
	bodyCut
	bodySlow
	bodyTooLarge
	notJSON
	notAcceptable
	keyNeeded
	scopeNeeded
	crossSite
	tooMany
	badKeyOrder
	badSubscription
	tooManySubscriptions
	subscriptionDisabled
	noWebhooks
	notFailed
	notFound
	noSuchRoute
	noSuchMethod
	notFinished
	assessmentFailed
	notAssessedYet
	clientGone
	busy
	unavailable
	kinds // how many there are
)

// row is what all errors of one kind have in common. The type of a problem is /problems/ and the
// name; names are public and never change.
type row struct {
	name, title string
	status      int
	retry       int    // seconds; zero: trying again will not help
	detail      string // where the error itself has none
}

// statusClientGone is what logs have for a request whose client did not wait for the answer.
const statusClientGone = 499

var rows = [kinds]row{
	internal:             {"internal-error", "Something went wrong here", http.StatusInternalServerError, 0, "this is our fault, not yours: tell us the instance"},
	invalidReport:        {"invalid-report", "The report is not valid", http.StatusUnprocessableEntity, 0, "mend what errors lists; nothing was stored"},
	faultyRuleSet:        {"faulty-rule-set", "The rule set cannot be published", http.StatusUnprocessableEntity, 0, "mend what errors lists; nothing was stored"},
	versionPublished:     {"version-published", "The version is published already", http.StatusConflict, 0, "a published version never changes: give what is new a higher version"},
	keyReused:            {"idempotency-key-reused", "The key stands for another request", http.StatusUnprocessableEntity, 0, "this Idempotency-Key came before with another report or gate: use a new key for a new report"},
	dossierFull:          {"dossier-full", "The vehicle has as many reports as it may have", http.StatusConflict, 0, assess.DossierFullAdvice},
	badQuery:             {"bad-query", "The query is not understood", http.StatusBadRequest, 0, ""},
	badHeader:            {"bad-header", "A header is not understood", http.StatusBadRequest, 0, ""},
	noSuchRuleSet:        {"no-such-rule-set", "There is no such rule set", http.StatusBadRequest, 0, "GET /v1/rule_sets lists them"},
	noSuchGate:           {"no-such-gate", "There is no such gate", http.StatusBadRequest, 0, ""},
	badRescoreOrder:      {"bad-rescore-order", "The order to score again cannot be carried out", http.StatusUnprocessableEntity, 0, "mend what errors lists; nothing was ordered"},
	batchMoved:           {"batch-moved", "Somebody else sends lines of this batch", http.StatusConflict, 1, "the same batch is being sent over another connection: let one of them end"},
	batchClosed:          {"batch-closed", "The batch is closed", http.StatusConflict, 0, "it has all its lines, or was cancelled: send others as a new batch, under a new Idempotency-Key"},
	bodyCut:              {"body-incomplete", "The body did not arrive whole", http.StatusBadRequest, 0, "send it again"},
	bodySlow:             {"body-too-slow", "The body took too long to arrive", http.StatusRequestTimeout, 0, ""},
	bodyTooLarge:         {"body-too-large", "The body is too large", http.StatusRequestEntityTooLarge, 0, ""},
	notJSON:              {"unsupported-media-type", "The body is not of a kind that is taken here", http.StatusUnsupportedMediaType, 0, "send JSON in UTF-8, uncompressed, as Content-Type: application/json"},
	notAcceptable:        {"not-acceptable", "The answer cannot be had in that form", http.StatusNotAcceptable, 0, ""},
	keyNeeded:            {"key-needed", "An API key is needed", http.StatusUnauthorized, 0, "send one as Authorization: Bearer lu_…; who runs the service makes them with laidup keys create"},
	scopeNeeded:          {"scope-needed", "The key is not for this", http.StatusForbidden, 0, ""},
	crossSite:            {"cross-site", "The request comes from another site", http.StatusForbidden, 0, "without a key only this machine is served, and no page of another site"},
	tooMany:              {"too-many-requests", "There are too many requests", http.StatusTooManyRequests, 1, "wait, or post many reports as one batch"},
	badKeyOrder:          {"bad-key-order", "The key cannot be made", http.StatusUnprocessableEntity, 0, ""},
	badSubscription:      {"bad-subscription", "The subscription is not understood", http.StatusUnprocessableEntity, 0, "mend what errors lists; nothing was changed"},
	tooManySubscriptions: {"too-many-subscriptions", "There are as many subscriptions as there may be", http.StatusConflict, 0, fmt.Sprintf("%d is the limit: delete one that nobody needs", webhook.MaxSubscriptions)},
	subscriptionDisabled: {"subscription-disabled", "The subscription is disabled", http.StatusConflict, 0, "GET it to see why, and resume it first"},
	noWebhooks:           {"no-webhooks", "Webhooks are not set up", http.StatusConflict, 0, "who runs the service has to give it a key to seal secrets with: --webhook-key, 32 random bytes in base64, on servers and workers alike"},
	notFailed:            {"not-failed", "The assessment has not failed", http.StatusConflict, 0, "only what failed can be tried again"},
	notFound:             {"not-found", "There is nothing here", http.StatusNotFound, 0, "nothing is stored under this name"},
	noSuchRoute:          {"no-such-route", "There is no such path", http.StatusNotFound, 0, "this path leads nowhere"},
	noSuchMethod:         {"method-not-allowed", "This cannot be done here", http.StatusMethodNotAllowed, 0, "use one of the methods in the Allow header"},
	notFinished:          {"not-finished", "The assessment is not finished yet", http.StatusConflict, 1, "ask again shortly"},
	assessmentFailed:     {"assessment-failed", "The assessment could not be made", http.StatusConflict, 0, ""},
	notAssessedYet:       {"not-assessed-yet", "The vehicle is not assessed yet", http.StatusConflict, 1, "none of its assessments is finished: ask again shortly"},
	clientGone:           {"client-gone", "The client went away", statusClientGone, 0, "nobody waited for the answer"},
	busy:                 {"busy", "Others are being served", http.StatusServiceUnavailable, 10, "rule sets are tried one after the other: try again"},
	unavailable:          {"unavailable", "The store cannot be reached", http.StatusServiceUnavailable, 5, "try again; with an Idempotency-Key that is harmless"},
}

func (k kind) row() row { return rows[k] }

// causes has the kinds of the errors of other packages.
var causes = []struct {
	err  error
	kind kind
}{
	{assess.ErrUnavailable, unavailable},
	{assess.ErrNotFound, notFound},
	{access.ErrNotFound, notFound},
	{webhook.ErrNotFound, notFound},
	{webhook.ErrTooMany, tooManySubscriptions},
	{webhook.ErrDisabled, subscriptionDisabled},
	{webhook.ErrNoKey, noWebhooks},
	{assess.ErrNotFailed, notFailed},
	{assess.ErrKeyReused, keyReused},
	{assess.ErrDossierFull, dossierFull},
	{assess.ErrBatchClosed, batchClosed},
	{assess.ErrVersionPublished, versionPublished},
	{assess.ErrBusy, busy},
	{assess.ErrNoSuchRuleSet, noSuchRuleSet},
	{assess.ErrNotAssessedYet, notAssessedYet},
	{echo.ErrNotFound, noSuchRoute},
	{echo.ErrMethodNotAllowed, noSuchMethod},
}

// problem is an error that says all that a client is to know of it.
type problem struct {
	kind   kind
	detail string // empty: that of the kind
	header map[string]string
	errors any // what clients get as errors: a list of faults; nil: none
}

// says makes an error of the kind.
func (k kind) says(format string, args ...any) *problem {
	return &problem{kind: k, detail: fmt.Sprintf(format, args...)}
}

// Error is for logs.
func (p *problem) Error() string { return p.kind.row().name + ": " + p.detail }

// problemBody is a problem in the form of RFC 9457.
type problemBody struct {
	Type     string `json:"type"`
	Title    string `json:"title"`
	Status   int    `json:"status"`
	Detail   string `json:"detail"`
	Instance string `json:"instance"` // the id of the request
	Errors   any    `json:"errors,omitempty"`
}

func (p *problem) body(instance string) problemBody {
	r := p.kind.row()
	detail := p.detail
	if detail == "" {
		detail = r.detail
	}
	return problemBody{"/problems/" + r.name, r.title, r.status, detail, instance, p.errors}
}

// problemOf translates an error.
func problemOf(err error) *problem {
	var p *problem
	var invalid *assess.InvalidError
	var faulty *assess.FaultyRuleSetError
	var gate *assess.NoSuchGateError
	var order access.OrderError
	var subscription webhook.OrderError
	switch {
	case errors.As(err, &p):
		return p
	case errors.As(err, &invalid):
		return &problem{kind: invalidReport, errors: invalid.Faults}
	case errors.As(err, &faulty):
		return &problem{kind: faultyRuleSet, errors: faulty.Faults}
	case errors.As(err, &order):
		return badKeyOrder.says("%s", order)
	case errors.As(err, &subscription):
		return &problem{kind: badSubscription, errors: []webhook.Fault(subscription)}
	case errors.As(err, &gate):
		return noSuchGate.says("the gates are %s", strings.Join(gate.Gates, ", "))
	}
	for _, c := range causes {
		if errors.Is(err, c.err) {
			return c.kind.says("")
		}
	}
	return internal.says("")
}
