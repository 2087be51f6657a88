package version

import (
	"runtime/debug"
	"testing"
)

func TestOf(t *testing.T) {
	at := func(version string, settings ...string) *debug.BuildInfo {
		info := &debug.BuildInfo{GoVersion: "go1.27.0", Main: debug.Module{Version: version}}
		for i := 0; i < len(settings); i += 2 {
			info.Settings = append(info.Settings, debug.BuildSetting{Key: settings[i], Value: settings[i+1]})
		}
		return info
	}
	for name, c := range map[string]struct {
		info *debug.BuildInfo
		want Version
	}{
		"a tag":                 {at("v1.2.3", "vcs.revision", "eb1a52a", "vcs.modified", "false"), Version{"v1.2.3", "eb1a52a", "go1.27.0"}},
		"changed since":         {at("v1.2.4-0.2026+dirty", "vcs.revision", "eb1a52a", "vcs.modified", "true"), Version{"v1.2.4-0.2026+dirty", "eb1a52a+changes", "go1.27.0"}},
		"without a repository":  {at("(devel)"), Version{"devel", "", "go1.27.0"}},
		"changed, of no commit": {at("", "vcs.modified", "true"), Version{"devel", "", "go1.27.0"}},
	} {
		t.Run(name, func(t *testing.T) {
			if got := of(c.info); got != c.want {
				t.Errorf("it is %+v, want %+v", got, c.want)
			}
		})
	}
	if Current().Version == "" {
		t.Error("this program has no version")
	}
}
