// Package schema holds the program's versioned data and no logic: whoever needs a part of it
// is handed an [fs.FS].
package schema

import "embed"

// FS holds, in folders of these names: demo reports; json, the JSON Schemas of what the service
// answers; the JSON Schema of job books; the built-in job books; the SQL migrations, one folder a database
// engine, under migrations/sqlite and migrations/postgres; what the built-in rule sets load fastest from, under prepared, which
// package builtin writes; the JSON Schema of rule sets; the built-in rule sets. Migrations only ever go forward: a published file never changes.
//
//go:embed demo examples jobbook jobbooks json migrations openapi.yaml prepared ruleset rulesets
var FS embed.FS

// The folders of the built-in rule sets in [FS]: that which is used unless another is named, and that
// for a seller's yard, which extends it.
const (
	FirstStart  = "rulesets/first-start/2.0.0"
	PrePurchase = "rulesets/pre-purchase/2.0.0"
)

// GenericJobs is the folder in [FS] of the built-in job book, which is for the rule set of [FirstStart].
const GenericJobs = "jobbooks/generic/1.0.0"
