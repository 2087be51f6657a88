// Package schema holds the program's versioned data and no logic: whoever needs a part of it
// is handed an [fs.FS].
package schema

import "embed"

// FS holds, in folders of these names: demo reports; json, the JSON Schemas of what the service
// answers; the SQL migrations, one folder a database engine, under migrations/sqlite and
// migrations/postgres; the JSON Schema of rule sets; the built-in rule sets. Migrations only ever go
// forward: a published file never changes.
//
//go:embed demo examples json migrations openapi.yaml ruleset rulesets
var FS embed.FS
