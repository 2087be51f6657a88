package api

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"laidup/internal/access"
)

// route is one endpoint.
type route struct {
	method, path string
	needs        access.Scope // what the key must be for; empty: no key is needed
	handle       func(*request) (reply, error)
	query        []string // the parameters it takes; with "..." after its name, one that may come more than once
	offers       []string // media types it can answer in, the preferred one first; nil: its handler decides
	cache        string   // Cache-Control; unless it forbids keeping, answers have an ETag
	doc          string
}

// What routes say about caching.
const (
	noStore = "no-store"
	// What is one client's business is kept by that client alone, and asked for each time.
	revalidate = "private, no-cache"
	// What changes with the program alone may be kept an hour by anybody.
	stable = "public, max-age=3600, must-revalidate"
	// What stands under one name for ever is asked for each time.
	renewed = "public, no-cache"
	// A published version never changes, but is not everybody's business.
	foreverPublic = "public, max-age=31536000, immutable"
	forever       = "private, max-age=31536000, immutable"
)

const (
	mediaJSON   = "application/json"
	mediaYAML   = "application/yaml"
	mediaCSV    = "text/csv"
	mediaHTML   = "text/html"
	mediaPDF    = "application/pdf"
	mediaForm   = "application/x-www-form-urlencoded"
	mediaEvents = "text/event-stream"
	// A document a line; the second is another name for the first.
	mediaNDJSON    = "application/x-ndjson"
	mediaJSONLines = "application/jsonl"
	mediaProblem   = "application/problem+json"
	mediaSchema    = "application/schema+json"
)

// routes is the table of endpoints. HEAD goes with GET.
func (a *API) routes() []route {
	const get, post = http.MethodGet, http.MethodPost
	asJSON, asTable, asSchema := []string{mediaJSON}, []string{mediaJSON, mediaCSV}, []string{mediaSchema, mediaJSON}
	gate, page, table := []string{"gate"}, []string{"limit", "cursor"}, []string{"format"}
	vehicles := []string{"search", "verdict", "sort", "limit", "cursor"}
	asPage, asEvents, asSheet := []string{mediaHTML}, []string{mediaEvents}, []string{mediaHTML, mediaPDF}
	return []route{
		{post, "/v1/reports", access.PostReports, a.postReport, []string{"gate", "rule_set"}, asJSON, noStore, "Validates a report, stores it and queues its assessment."},
		{post, "/v1/reports/check", access.PostReports, a.checkReport, nil, asJSON, noStore, "Validates a report and stores nothing."},
		{get, "/v1/assessments/{id}", access.Read, a.getAssessment, nil, asJSON, revalidate, "An assessment: queued, running, done or failed."},
		{get, "/v1/assessments/{id}/register", access.Read, a.getRegister, table, asTable, revalidate, "The risk register of a finished assessment."},
		{get, "/v1/assessments/{id}/blockers", access.Read, a.getBlockers, append(gate, table...), asTable, revalidate, "What blocks a gate, by a finished assessment."},
		{get, "/v1/assessments/{id}/sheet", access.Read, a.getSheet, []string{"sheet", "gate", "format"}, asSheet, revalidate, "A sheet to print: the blocking list, what a start needs, a summary for a customer or the register."},
		{post, "/v1/assessments/{id}/retry", access.PostReports, a.retryAssessment, nil, asJSON, noStore, "Has a failed assessment worked out once more."},
		{get, "/v1/vehicles", access.Read, a.listVehicles, vehicles, asJSON, revalidate, "Vehicles, the one with the newest report first unless sorted otherwise."},
		{get, "/v1/vehicles/{reference}", access.Read, a.getVehicle, page, asJSON, revalidate, "A vehicle: its newest assessment and its history."},
		{get, "/v1/vehicles/{reference}/readiness", access.Read, a.getReadiness, gate, asJSON, revalidate, "The one question before a gate: what still blocks it?"},
		{get, "/v1/vehicles/{reference}/appraisal", access.Read, a.getAppraisal, append(gate, table...), asTable, revalidate, "What a buyer is to know of a vehicle before the purchase, and what each number rests on."},
		{get, "/v1/appraisals", access.Read, a.listAppraisals, []string{"vehicle...", "gate", "sort", "format"}, asTable, revalidate, "Appraisals of 2 to 50 vehicles side by side."},
		{get, "/v1/vehicles/{reference}/events", access.Read, a.vehicleEvents, nil, asEvents, noStore, "What becomes of a vehicle's assessments, as server-sent events."},
		{get, "/v1/assessments/{id}/events", access.Read, a.assessmentEvents, nil, asEvents, noStore, "What becomes of an assessment, as server-sent events."},
		{post, "/v1/batches", access.PostReports, a.postBatch, []string{"gate", "rule_set", "first_line"}, asJSON, noStore, "Takes many reports, one a line, as they are sent, stores each and queues its assessment."},
		{get, "/v1/batches", access.Read, a.listBatches, page, asJSON, revalidate, "Batches, the newest first."},
		{get, "/v1/batches/{id}", access.Read, a.getBatch, nil, asJSON, revalidate, "A batch: how far it has got, and how fast it goes."},
		{get, "/v1/batches/{id}/results", access.Read, a.getResults, []string{"first_line", "format"}, []string{mediaNDJSON, mediaCSV}, noStore, "What has become of each line of a batch, in their order."},
		{post, "/v1/batches/{id}/cancel", access.PostReports, a.cancelBatch, nil, asJSON, noStore, "Cancels a batch: what no worker has begun with is left."},
		{post, "/v1/rescores", access.PostReports, a.postRescore, nil, asJSON, noStore, "Scores vehicles again under another rule set, as a batch of its own, and says what has changed. Nothing that is stored changes."},
		{get, "/v1/catalogue", "", a.getCatalogue, nil, asJSON, stable, "What can be said about a vehicle: facts, items, findings, methods, gates."},
		{get, "/v1/schemas", "", a.listSchemas, nil, asJSON, stable, "The JSON Schemas of what is sent and answered."},
		{get, "/v1/schemas/{name}", "", a.getSchema, nil, asSchema, stable, "A JSON Schema: report, assessment, appraisal, appraisals or rule_set."},
		{get, "/v1/openapi.json", "", a.getDescription, nil, asJSON, stable, "This description of the API, in OpenAPI 3.1."},
		{get, "/v1/rule_sets", access.Read, a.listRuleSets, nil, asJSON, revalidate, "The rule sets that assessments are made under."},
		{post, "/v1/rule_sets", access.PublishRules, a.postRuleSet, nil, asJSON, noStore, "Publishes a rule set, whole or as an overlay on a built-in one. A published version never changes."},
		{post, "/v1/rule_sets/check", access.PublishRules, a.checkRuleSet, nil, asJSON, noStore, "Reads a rule set, runs its tests and looks through it; stores nothing."},
		{get, "/v1/rule_sets/{name}/{version}", access.Read, a.getRuleSet, nil, asJSON, forever, "One version of a rule set, in canonical form."},
		{get, "/v1/keys", access.Administration, a.listKeys, nil, asJSON, noStore, "The organisation's API keys, without what is secret."},
		{post, "/v1/keys", access.Administration, a.postKey, nil, asJSON, noStore, "Makes an API key, which is shown this once."},
		{http.MethodDelete, "/v1/keys/{id}", access.Administration, a.deleteKey, nil, asJSON, noStore, "Revokes an API key."},
		{get, "/v1/events", access.Read, a.organisationEvents, []string{"after", "limit"}, []string{mediaJSON, mediaEvents}, noStore, "What has happened, oldest first: a page of it, or server-sent events as it happens."},
		{get, "/v1/subscriptions", access.Webhooks, a.listSubscriptions, nil, asJSON, noStore, "The organisation's webhooks, without what is secret."},
		{post, "/v1/subscriptions", access.Webhooks, a.postSubscription, nil, asJSON, noStore, "Has events sent to a URL, by the Standard Webhooks specification. The secret is shown this once."},
		{get, "/v1/subscriptions/{id}", access.Webhooks, a.getSubscription, nil, asJSON, noStore, "A webhook."},
		{http.MethodDelete, "/v1/subscriptions/{id}", access.Webhooks, a.deleteSubscription, nil, asJSON, noStore, "Ends a webhook."},
		{post, "/v1/subscriptions/{id}/rotate", access.Webhooks, a.rotateSubscription, nil, asJSON, noStore, "Makes a new secret, shown this once; the one before signs as well for a day."},
		{post, "/v1/subscriptions/{id}/test", access.Webhooks, a.testSubscription, nil, asJSON, noStore, "Sends an event to try it with."},
		{post, "/v1/subscriptions/{id}/resume", access.Webhooks, a.resumeSubscription, nil, asJSON, noStore, "Goes on with a webhook that was disabled."},
		{post, "/v1/subscriptions/{id}/replay", access.Webhooks, a.replaySubscription, nil, asJSON, noStore, "Sends again what has happened since a time, and all that never arrived."},
		{get, "/v1/subscriptions/{id}/deliveries", access.Webhooks, a.listDeliveries, []string{"state", "limit", "cursor"}, asJSON, noStore, "What was sent, or is to be, newest first."},
		{post, "/v1/subscriptions/{id}/deliveries/{delivery}/replay", access.Webhooks, a.replayDelivery, nil, asJSON, noStore, "Sends one event again."},
		{get, "/healthz", "", a.healthz, nil, asJSON, noStore, "Whether the process runs."},
		{get, "/readyz", "", a.readyz, nil, asJSON, noStore, "Whether reports can be taken."},
		{get, "/", "", a.firstPage, nil, asPage, noStore, "The first page."},
		{get, "/vehicles", access.Read, a.vehiclesPage, vehicles, asPage, revalidate, "Page: vehicles."},
		{get, "/vehicles/{reference}", access.Read, a.vehiclePageOf, []string{"gate", "from"}, asPage, revalidate, "Page: a vehicle."},
		{get, "/vehicles/{reference}/ready", access.Read, a.readyPage, gate, asPage, revalidate, "Page: the one question before a gate, to be read from afar."},
		{get, "/vehicles/{reference}/appraisal", access.Read, a.appraisalPage, gate, asPage, revalidate, "Page: what a buyer is to know of a vehicle before the purchase."},
		{get, "/vehicles/{reference}/changes", access.Read, a.changesPage, []string{"from", "to"}, asPage, revalidate, "Page: what has changed between two assessments."},
		{get, "/inspect", access.PostReports, a.inspectPage, nil, asPage, revalidate, "Page: the inspection form, for a new vehicle."},
		{get, "/vehicles/{reference}/inspect", access.PostReports, a.followUpPage, gate, asPage, revalidate, "Page: the inspection form for a follow-up, beginning with what stands in the way."},
		{get, "/compare", access.Read, a.comparePage, []string{"vehicle..."}, asPage, revalidate, "Page: up to four vehicles side by side."},
		{get, "/docs", "", a.referencePage, nil, asPage, renewed, "Page: the API, operation by operation."},
		{get, "/sign-in", "", a.signInPage, []string{"next"}, asPage, noStore, "Page: sign in by an API key."},
		{post, "/sign-in", "", a.signIn, nil, asPage, noStore, "Exchanges an API key for a session."},
		{post, "/sign-out", "", a.signOut, nil, asPage, noStore, "Ends a session."},
		{get, "/assets/{name}", "", a.getAsset, nil, nil, foreverPublic, "What pages need."},
		{get, "/offline.js", "", a.offlineScript, nil, nil, renewed, "The service worker that opens the inspection form without a signal."},
		{get, "/metrics", access.Administration, a.getMetrics, nil, nil, noStore, "Metrics for Prometheus."},
	}
}

// Route is one endpoint, for whoever describes the API. Parameters of the path stand in braces.
type Route struct {
	Method, Path string
	Needs        access.Scope // empty: no key is needed
	Doc          string
	Query        []string // the query parameters it takes
	Media        []string // the media types it can answer in
	Repeats      []string // the query parameters that may come more than once
	Deprecated   *Deprecation
	ForPrograms  bool // else a page for people, or what pages need; GET /v1/openapi.json leaves those out
}

// Routes lists the endpoints in the order in which they are documented.
func (a *API) Routes() []Route {
	var all []Route
	for _, r := range a.routes() {
		query, repeats := r.parameters()
		all = append(all, Route{r.method, r.path, r.needs, r.doc, query, r.offers, repeats, r.deprecation(), r.forPrograms()})
	}
	return all
}

// parameters has the names of the parameters that a route takes, and those of them that may come more
// than once.
func (r route) parameters() (all, repeats []string) {
	for _, q := range r.query {
		name, more := strings.CutSuffix(q, "...")
		all = append(all, name)
		if more {
			repeats = append(repeats, name)
		}
	}
	return all, repeats
}

// route builds the router from the table.
func (a *API) route() {
	e := echo.New()
	// Whoever claims to be another address is not believed.
	e.IPExtractor = echo.ExtractIPDirect()
	e.Use(a.watch)
	a.echo, a.paths, a.isPage = e, map[string]string{}, map[string]bool{}
	for _, r := range a.routes() {
		path := strings.NewReplacer("{", ":", "}", "").Replace(r.path)
		a.paths[path] = r.path
		if len(r.offers) < 2 || r.offers[0] != mediaHTML { // else it depends on what is asked for
			a.isPage[path] = a.isPage[path] || len(r.offers) > 0 && r.offers[0] == mediaHTML
		}
		e.Add(r.method, path, a.serve(r))
		if r.method == http.MethodGet {
			e.Add(http.MethodHead, path, a.serve(r))
		}
	}
}
