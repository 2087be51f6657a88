// Package version says which version of the program runs. The Go tool notes it in the program: the tag of the
// commit that it was built of, or a pseudo-version with the commit's time and hash.
package version

import (
	"runtime/debug"
	"strings"
)

// Version is which program runs. What the Go tool did not note is empty.
type Version struct {
	Version string // as v1.2.3, or v0.0.0-20261127201500-eb1a52a0c1d2; "devel" where nothing is known
	Commit  string // of the source; with +changes where it had been changed since
	Go      string // the version of Go
}

// Current reads the version of the program that runs.
func Current() Version {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return Version{Version: "devel"}
	}
	return of(info)
}

func of(info *debug.BuildInfo) Version {
	v := Version{Version: strings.Trim(info.Main.Version, "()"), Go: info.GoVersion}
	if v.Version == "" {
		v.Version = "devel"
	}
	changed := false
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			v.Commit = s.Value
		case "vcs.modified":
			changed = s.Value == "true"
		}
	}
	if changed && v.Commit != "" {
		v.Commit += "+changes"
	}
	return v
}
