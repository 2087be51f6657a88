package queue_test

import (
	"encoding/json"
	"testing"

	"laidup/internal/queue"
)

func TestDecodeScoreTask(t *testing.T) {
	t.Parallel()
	for payload, want := range map[string]string{
		`{"assessment_id":"a1"}`:  "a1",
		`{"assessment_id":"ü\n"}`: "ü\n",
		``:                        "",
		`null`:                    "",
		`{}`:                      "",
		`{"assessment_id":""}`:    "",
		`{"assessment_id":1}`:     "",
		`{"Assessment_ID":"a1"}`:  "",
		`{"assessment_id":"a1","assessment_id":"a2"}`: "",
		`{"assessment_id":"a1","urgent":true}`:        "",
		`{"assessment_id":"a1"} {}`:                   "",
		"{\"assessment_id\":\"\xff\"}":                "",
		`["a1"]`:                                      "",
	} {
		task, err := queue.DecodeScoreTask([]byte(payload))
		if task.AssessmentID != want || (err == nil) != (want != "") {
			t.Errorf("%q gives %q, %v", payload, task.AssessmentID, err)
		}
	}
}

func FuzzDecodeScoreTask(f *testing.F) {
	for _, seed := range []string{`{"assessment_id":"a1"}`, `{"assessment_id":"\u2028<"}`, `{}`, `[]`, ``} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		task, err := queue.DecodeScoreTask(payload)
		if err != nil {
			return
		}
		written, err := json.Marshal(task)
		if err != nil || string(written) != string(payload) {
			t.Errorf("%q was accepted, which is written %q, %v", payload, written, err)
		}
	})
}
