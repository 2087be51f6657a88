// Package schema holds the program's versioned data and no logic: whoever needs a part of it
// is handed an [fs.FS].
package schema

import "embed"

// FS holds the SQL migrations, one folder a database engine, under migrations/sqlite and
// migrations/postgres. Migrations only ever go forward: a published file never changes.
//
//go:embed demo examples migrations openapi.yaml ruleset rulesets
var FS embed.FS
