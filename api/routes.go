package api

import (
	"net/http"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"laidup/api/describe"
	"laidup/api/wire"
	"laidup/internal/access"
)

// route is one endpoint.
type route struct {
	method, path string
	needs        access.Scope // what the key must be for; empty: no key is needed
	handle       func(*wire.Request) (wire.Reply, error)
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

// routes is the table of endpoints. HEAD goes with GET.
func (a *API) routes() []route {
	const get, post = http.MethodGet, http.MethodPost
	asJSON, asTable, asSchema := []string{wire.MediaJSON}, []string{wire.MediaJSON, wire.MediaCSV}, []string{wire.MediaSchema, wire.MediaJSON}
	gate, page, table := []string{"gate"}, []string{"limit", "cursor"}, []string{"format"}
	vehicles := []string{"gate", "search", "verdict", "sort", "limit", "cursor"}
	listed := []string{"gate", "search", "verdict", "sort"}
	asPlan := []string{wire.MediaJSON, wire.MediaCSV, wire.MediaCalendar}
	asPage, asEvents, asSheet := []string{wire.MediaHTML}, []string{wire.MediaEvents}, []string{wire.MediaHTML, wire.MediaPDF}
	return []route{
		{post, "/v1/reports", access.PostReports, a.postReport, []string{"gate", "rule_set"}, asJSON, noStore, "Validates a report, stores it and queues its assessment."},
		{post, "/v1/reports/check", access.PostReports, a.checkReport, nil, asJSON, noStore, "Validates a report and stores nothing."},
		{get, "/v1/reports/{id}", access.Read, a.getReport, nil, asJSON, revalidate, "Returns a report as it was posted, byte for byte."},
		{get, "/v1/reports/{id}/status", access.Read, a.getReportStatus, nil, asJSON, revalidate, "Returns a report's status: when it came in, who made it, and whether it was withdrawn or replaced."},
		{post, "/v1/reports/{id}/withdraw", access.PostReports, a.withdrawReport, nil, asJSON, noStore, "Withdraws a report. It stays readable and marked, and the vehicle is assessed again without it."},
		{post, "/v1/attachments", access.PostReports, a.postAttachment, nil, asJSON, noStore, "Stores a photo, for reports to link. The same photo again gets the same id."},
		{get, "/v1/attachments/{id}", access.Read, a.getAttachment, nil, []string{wire.MediaJPEG, wire.MediaPNG}, forever, "Returns a photo."},
		{get, "/v1/attachments/{id}/thumbnail", access.Read, a.getThumbnail, nil, []string{wire.MediaJPEG}, forever, "Returns a photo's thumbnail."},
		{get, "/v1/assessments/{id}", access.Read, a.getAssessment, nil, asJSON, revalidate, "Returns an assessment: queued, running, done or failed."},
		{get, "/v1/assessments/{id}/register", access.Read, a.getRegister, table, asTable, revalidate, "Returns the risk register of a finished assessment."},
		{get, "/v1/assessments/{id}/blockers", access.Read, a.getBlockers, append(gate, table...), asTable, revalidate, "Lists what blocks a gate, from a finished assessment."},
		{get, "/v1/assessments/{id}/sheet", access.Read, a.site.GetSheet, []string{"sheet", "gate", "format"}, asSheet, revalidate, "Returns a printable sheet: blocking list, start checklist, customer summary or risk register."},
		{post, "/v1/assessments/{id}/retry", access.PostReports, a.retryAssessment, nil, asJSON, noStore, "Retries a failed assessment."},
		{get, "/v1/vehicles", access.Read, a.listVehicles, vehicles, asJSON, revalidate, "Lists vehicles, all judged at one gate, newest report first unless sorted otherwise."},
		{get, "/v1/vehicles/{reference}", access.Read, a.getVehicle, append(gate, page...), asJSON, revalidate, "Returns a vehicle with its latest assessment and history, all judged at one gate."},
		{http.MethodDelete, "/v1/vehicles/{reference}", access.Administration, a.eraseVehicle, nil, asJSON, noStore, "Erases a vehicle and all its data. This cannot be undone."},
		{get, "/v1/vehicles/{reference}/reports", access.Read, a.listReports, page, asJSON, revalidate, "Lists the reports on a vehicle, newest first, including withdrawn ones."},
		{get, "/v1/vehicles/{reference}/readiness", access.Read, a.getReadiness, gate, asJSON, revalidate, "Answers the mechanic's question: what still blocks this gate?"},
		{post, "/v1/vehicles/{reference}/plans", access.PostReports, a.postPlan, nil, asJSON, noStore, "Plans the work until a gate is clear: what to take apart, in which order, and what to order by when."},
		{get, "/v1/vehicles/{reference}/plans", access.Read, a.listPlans, page, asJSON, revalidate, "Lists the plans of a vehicle, newest first."},
		{post, "/v1/vehicles/{reference}/outcomes", access.PostReports, a.postOutcome, nil, asJSON, noStore, "Records what came of an attempt at a gate, and what parts in the hand were like."},
		{get, "/v1/vehicles/{reference}/outcomes", access.Read, a.listOutcomes, page, asJSON, revalidate, "Lists the outcomes of a vehicle, newest first, including withdrawn ones."},
		{get, "/v1/outcomes/{id}", access.Read, a.getOutcome, nil, asJSON, revalidate, "Returns an outcome: as it was posted, and whether it is counted."},
		{post, "/v1/outcomes/{id}/withdraw", access.PostReports, a.withdrawOutcome, nil, asJSON, noStore, "Withdraws an outcome. It stays readable and marked, and is taken out of the counts."},
		{get, "/v1/scores", access.Read, a.getScores, []string{"by", "rule_set"}, asJSON, revalidate, "Returns how good the forecasts were, by what came of attempts and parts in the hand."},
		{get, "/v1/corrections", access.Read, a.getCorrections, []string{"rule_set"}, asJSON, revalidate, "Suggests corrections to a rule set by outcomes, and what they would change. None is applied."},
		{get, "/v1/plans/{id}", access.Read, a.getPlan, table, asPlan, revalidate, "Returns a plan: as JSON, its steps as a table, or its schedule as a calendar."},
		{post, "/v1/plans/{id}/retry", access.PostReports, a.retryPlan, nil, asJSON, noStore, "Retries a failed plan."},
		{post, "/v1/plans/{id}/what-if", access.PostReports, a.postWhatIf, nil, asJSON, noStore, "Plans the same work with a change: without a job, with another person, with a part that comes late, up to another gate."},
		{get, "/v1/plans/{id}/what-if", access.Read, a.getWhatIfs, nil, asJSON, revalidate, "Returns a plan and its what-ifs side by side."},
		{post, "/v1/plans/{id}/steps/{step}/done", access.PostReports, a.postStepDone, nil, asJSON, noStore, "Marks a step of a plan as done. What it finds is a report on the vehicle."},
		{post, "/v1/plans/{id}/steps/{step}/undone", access.PostReports, a.postStepUndone, nil, asJSON, noStore, "Marks a step of a plan as not done after all. What was reported of it is withdrawn."},
		{get, "/v1/vehicles/{reference}/appraisal", access.Read, a.getAppraisal, append(gate, table...), asTable, revalidate, "Returns what a buyer should know about a vehicle, and what each number is based on."},
		{get, "/v1/appraisals", access.Read, a.listAppraisals, []string{"vehicle...", "gate", "sort", "format"}, asTable, revalidate, "Compares the appraisals of 2 to 50 vehicles."},
		{get, "/v1/vehicles/{reference}/events", access.Read, a.vehicleEvents, nil, asEvents, noStore, "Streams the progress of a vehicle's assessments as server-sent events."},
		{get, "/v1/assessments/{id}/events", access.Read, a.assessmentEvents, nil, asEvents, noStore, "Streams the progress of an assessment as server-sent events."},
		{post, "/v1/batches", access.PostReports, a.postBatch, []string{"gate", "rule_set", "first_line"}, asJSON, noStore, "Accepts many reports, one per line, stores each and queues its assessment."},
		{get, "/v1/batches", access.Read, a.listBatches, page, asJSON, revalidate, "Lists batches, newest first."},
		{get, "/v1/batches/{id}", access.Read, a.getBatch, nil, asJSON, revalidate, "Returns a batch with its progress and speed."},
		{get, "/v1/batches/{id}/results", access.Read, a.getResults, []string{"first_line", "format"}, []string{wire.MediaNDJSON, wire.MediaCSV}, noStore, "Returns the result of each line of a batch, in input order."},
		{post, "/v1/batches/{id}/cancel", access.PostReports, a.cancelBatch, nil, asJSON, noStore, "Cancels a batch. Lines that no worker has started are not scored."},
		{post, "/v1/rescores", access.PostReports, a.postRescore, nil, asJSON, noStore, "Scores vehicles again under another rule set, as a batch, and reports what changed. Stored assessments stay as they are."},
		{get, "/v1/catalogue", "", a.getCatalogue, nil, asJSON, stable, "Returns what can be reported: facts, items, findings, methods and gates."},
		{get, "/v1/schemas", "", a.listSchemas, nil, asJSON, stable, "Lists the JSON Schemas of requests and responses."},
		{get, "/v1/schemas/{name}", "", a.getSchema, nil, asSchema, stable, "Returns a JSON Schema: report, assessment, appraisal, appraisals, plan or rule_set."},
		{get, "/v1/openapi.json", "", a.getDescription, nil, asJSON, stable, "Returns this API description in OpenAPI 3.1."},
		{get, "/v1/rule_sets", access.Read, a.listRuleSets, nil, asJSON, revalidate, "Lists the rule sets available for assessments."},
		{post, "/v1/rule_sets", access.PublishRules, a.postRuleSet, nil, asJSON, noStore, "Publishes a rule set, complete or as an overlay on a built-in one. A published version never changes."},
		{post, "/v1/rule_sets/check", access.PublishRules, a.checkRuleSet, nil, asJSON, noStore, "Validates a rule set, runs its tests and checks it for likely mistakes. Stores nothing."},
		{get, "/v1/rule_sets/{name}/{version}", access.Read, a.getRuleSet, nil, asJSON, forever, "Returns one version of a rule set in canonical form."},
		{get, "/v1/keys", access.Administration, a.listKeys, nil, asJSON, noStore, "Lists the organisation's API keys, without their secrets."},
		{post, "/v1/keys", access.Administration, a.postKey, nil, asJSON, noStore, "Creates an API key. It is shown only once."},
		{http.MethodDelete, "/v1/keys/{id}", access.Administration, a.deleteKey, nil, asJSON, noStore, "Revokes an API key."},
		{get, "/v1/retention", access.Administration, a.getRetention, nil, asJSON, noStore, "Returns the retention: vehicles are erased this many days after their last report."},
		{http.MethodPut, "/v1/retention", access.Administration, a.putRetention, nil, asJSON, noStore, "Sets the retention: vehicles are erased this many days after their last report."},
		{get, "/v1/export", access.Administration, a.getExport, nil, []string{wire.MediaNDJSON}, noStore, "Exports all of the organisation's data as a stream, one record per line."},
		{post, "/v1/import", access.Administration, a.postImport, nil, asJSON, noStore, "Imports an export, of this or another organisation, as it is received."},
		{get, "/v1/audit", access.Administration, a.listAudit, page, asJSON, noStore, "Lists the audit trail, newest first: who did what and when."},
		{get, "/v1/events", access.Read, a.organisationEvents, []string{"after", "limit"}, []string{wire.MediaJSON, wire.MediaEvents}, noStore, "Lists events, oldest first, as pages or as server-sent events."},
		{get, "/v1/subscriptions", access.Webhooks, a.listSubscriptions, nil, asJSON, noStore, "Lists the organisation's webhooks, without their secrets."},
		{post, "/v1/subscriptions", access.Webhooks, a.postSubscription, nil, asJSON, noStore, "Creates a webhook, following the Standard Webhooks specification. The secret is shown only once."},
		{get, "/v1/subscriptions/{id}", access.Webhooks, a.getSubscription, nil, asJSON, noStore, "Returns a webhook."},
		{http.MethodDelete, "/v1/subscriptions/{id}", access.Webhooks, a.deleteSubscription, nil, asJSON, noStore, "Deletes a webhook."},
		{post, "/v1/subscriptions/{id}/rotate", access.Webhooks, a.rotateSubscription, nil, asJSON, noStore, "Creates a new signing secret, shown only once. The old one also signs for another day."},
		{post, "/v1/subscriptions/{id}/test", access.Webhooks, a.testSubscription, nil, asJSON, noStore, "Sends a test event."},
		{post, "/v1/subscriptions/{id}/resume", access.Webhooks, a.resumeSubscription, nil, asJSON, noStore, "Enables a disabled webhook again."},
		{post, "/v1/subscriptions/{id}/replay", access.Webhooks, a.replaySubscription, nil, asJSON, noStore, "Resends all events since a given time, and all that were never delivered."},
		{get, "/v1/subscriptions/{id}/deliveries", access.Webhooks, a.listDeliveries, []string{"state", "limit", "cursor"}, asJSON, noStore, "Lists deliveries, newest first."},
		{post, "/v1/subscriptions/{id}/deliveries/{delivery}/replay", access.Webhooks, a.replayDelivery, nil, asJSON, noStore, "Resends one event."},
		{get, "/healthz", "", a.healthz, nil, asJSON, noStore, "Whether the process runs."},
		{get, "/readyz", "", a.readyz, nil, asJSON, noStore, "Whether reports can be taken."},
		{get, "/", "", a.site.FirstPage, nil, asPage, noStore, "The first page."},
		{get, "/vehicles", access.Read, a.site.VehiclesPage, append(listed, "limit", "page"), asPage, revalidate, "Page: vehicles."},
		{get, "/vehicles.csv", access.Read, a.site.VehiclesTable, listed, []string{wire.MediaCSV}, revalidate, "The list of vehicles as a table."},
		{get, "/vehicles/{reference}", access.Read, a.site.VehiclePageOf, []string{"gate", "from"}, asPage, revalidate, "Page: a vehicle."},
		{get, "/vehicles/{reference}/ready", access.Read, a.site.ReadyPage, gate, asPage, revalidate, "Page: the one question before a gate, to be read from afar."},
		{get, "/vehicles/{reference}/appraisal", access.Read, a.site.AppraisalPage, gate, asPage, revalidate, "Page: what a buyer is to know of a vehicle before the purchase."},
		{get, "/vehicles/{reference}/changes", access.Read, a.site.ChangesPage, []string{"from", "to"}, asPage, revalidate, "Page: what has changed between two assessments."},
		{post, "/vehicles/{reference}/plan", access.PostReports, a.site.OrderPlan, nil, asPage, noStore, "Orders a plan by the form of a vehicle's page."},
		{get, "/outcomes", access.Read, a.site.ScoresPage, []string{"rule_set"}, asPage, revalidate, "Page: how good the forecasts were."},
		{get, "/vehicles/{reference}/outcome", access.PostReports, a.site.RecordPage, gate, asPage, noStore, "Page: what came of an attempt, and what parts in the hand were like."},
		{post, "/vehicles/{reference}/outcome", access.PostReports, a.site.Record, nil, asPage, noStore, "Records an outcome, by a button of the page."},
		{get, "/plans/{id}", access.Read, a.site.PlanPage, nil, asPage, revalidate, "Page: a plan."},
		{get, "/plans/{id}/cards", access.Read, a.site.JobCards, table, asSheet, revalidate, "The job cards of a plan, to print."},
		{post, "/plans/{id}/steps/{step}", access.PostReports, a.site.TickStep, nil, asPage, noStore, "Marks a step as done, by the button of the page."},
		{post, "/plans/{id}/steps/{step}/undo", access.PostReports, a.site.UndoStep, nil, asPage, noStore, "Marks a step as not done after all, by the button of the page."},
		{post, "/plans/{id}/retry", access.PostReports, a.site.RetryPlan, nil, asPage, noStore, "Retries a failed plan, by the button of the page."},
		{post, "/plans/{id}/what-if", access.PostReports, a.site.WhatIf, nil, asPage, noStore, "Plans the same work with a change, by the form of the page."},
		{get, "/inspect", access.PostReports, a.site.InspectPage, nil, asPage, revalidate, "Page: the inspection form, for a new vehicle."},
		{get, "/vehicles/{reference}/inspect", access.PostReports, a.site.FollowUpPage, gate, asPage, revalidate, "Page: the inspection form for a follow-up, beginning with what stands in the way."},
		{get, "/compare", access.Read, a.site.ComparePage, []string{"vehicle...", "gate", "sort"}, asPage, revalidate, "Page: up to twenty vehicles side by side."},
		{get, "/batches", access.Read, a.site.BatchesPage, page, asPage, revalidate, "Page: batches, and a file of reports to send."},
		{get, "/batches/{id}", access.Read, a.site.BatchPage, []string{"first_line"}, asPage, revalidate, "Page: a batch, with what was refused and why."},
		{get, "/docs", "", a.site.ReferencePage, nil, asPage, renewed, "Page: the API, operation by operation."},
		{get, "/sign-in", "", a.site.SignInPage, []string{"next"}, asPage, noStore, "Page: sign in by an API key."},
		{post, "/sign-in", "", a.site.SignIn, nil, asPage, noStore, "Exchanges an API key for a session."},
		{post, "/sign-out", "", a.site.SignOut, nil, asPage, noStore, "Ends a session."},
		{get, "/assets/{name}", "", a.site.GetAsset, nil, nil, foreverPublic, "What pages need."},
		{get, "/offline.js", "", a.site.OfflineScript, nil, nil, renewed, "The service worker that opens the inspection form without a signal."},
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

// rows lists the endpoints for the description of the API.
func (a *API) rows() []describe.Row {
	var all []describe.Row
	for _, r := range a.routes() {
		query, _ := r.parameters()
		all = append(all, describe.Row{
			Method: r.method, Path: r.path, Needs: r.needs, Doc: r.doc, Query: query, Media: r.offers,
			Kept: r.cache != noStore, Deprecated: r.deprecation() != nil,
		})
	}
	return all
}

// forPrograms says whether a route is for programs, and so is described; pages are for people.
func (r route) forPrograms() bool {
	return strings.HasPrefix(r.path, "/v1/") || slices.Contains([]string{"/healthz", "/readyz", "/metrics"}, r.path)
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
	if len(a.origins) > 0 {
		e.Use(sharing(a.origins))
	}
	a.echo, a.paths, a.isPage = e, map[string]string{}, map[string]bool{}
	for _, r := range a.routes() {
		path := strings.NewReplacer("{", ":", "}", "").Replace(r.path)
		a.paths[path] = r.path
		if len(r.offers) < 2 || r.offers[0] != wire.MediaHTML { // else it depends on what is asked for
			a.isPage[path] = a.isPage[path] || len(r.offers) > 0 && r.offers[0] == wire.MediaHTML
		}
		e.Add(r.method, path, a.serve(r))
		if r.method == http.MethodGet {
			e.Add(http.MethodHead, path, a.serve(r))
		}
	}
}
