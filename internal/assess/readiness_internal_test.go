package assess

import (
	"testing"

	"laidup/internal/score"
)

func TestNoGateIsClearWhileANewerReportWaits(t *testing.T) {
	t.Parallel()
	for state, whileWaiting := range map[string]string{score.Clear: score.Unproven, score.Unproven: score.Unproven, score.Blocked: score.Blocked} {
		if is, cautions := told(state, false); is != state || cautions != nil {
			t.Errorf("%s is told as %s, %q", state, is, cautions)
		}
		if is, cautions := told(state, true); is != whileWaiting || len(cautions) != 1 {
			t.Errorf("while a report waits %s is told as %s, %q", state, is, cautions)
		}
	}
}
