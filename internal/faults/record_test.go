//go:build linux

package faults

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"laidup/internal/report"
	"laidup/internal/wording"
)

// recordFaults are about what is taken out of the record while it is worked on.
var recordFaults = []fault{
	{name: "reports withdrawn while APIs and workers are killed", layout: layout{apis: 2}, strike: withdrawAmid, check: checkWithdrawn},
	{name: "vehicles erased while they are assessed", layout: layout{apis: 2}, strike: eraseAmid, check: checkErased},
	{name: "object store away amid uploads and reads", layout: layout{apis: 2, photos: true}, strike: storeAway, check: checkPhotos},
	{name: "keys revoked amid uploads", layout: layout{apis: 2}, strike: revokeAmid, check: checkLots},
}

// withdrawAmid posts three reports on a vehicle of its own and withdraws the second, while a process ends and is
// started again.
func withdrawAmid(r *rig) {
	mine, ok := r.postThree("withdrawn")
	if !ok {
		return
	}
	p := some(r, r.all())
	killed := make(chan struct{})
	after := r.between(0, 20*time.Millisecond)
	go func() {
		defer close(killed)
		time.Sleep(after)
		p.end(syscall.SIGKILL)
		r.start(p)
	}()
	r.insist(http.MethodPost, "/v1/reports/"+mine[1].Report+"/withdraw", `{"reason": "read on another vehicle"}`, http.StatusOK)
	<-killed
	r.ownReports = append(r.ownReports, mine)
}

// checkWithdrawn wants the last assessment of each vehicle to be that of one that never had the second report.
func checkWithdrawn(r *rig) {
	s := book()
	for _, mine := range r.ownReports {
		var dossier []*report.Report
		for _, a := range []accepted{mine[0], mine[2]} {
			one, _, faults := report.Decode(a.body, s.RuleSet().Catalogue)
			if len(faults) > 0 {
				r.Fatal(faults)
			}
			dossier = append(dossier, one)
		}
		want := s.Evaluate(dossier, -1)
		wording.English().Write(want)
		data, err := want.JSON()
		if err != nil {
			r.Fatal(err)
		}
		vehicle := mine[0].vehicle
		var got []byte
		r.await("the assessment of "+vehicle+" is that without the report that was withdrawn", func() bool {
			var v struct{ History []entry }
			if status, _, err := r.get("/v1/vehicles/"+vehicle, &v); err != nil || status != http.StatusOK || len(v.History) == 0 {
				return false
			}
			var any any
			if _, got, err = r.get("/v1/assessments/"+v.History[0].ID, &any); err != nil {
				return false
			}
			return reflect.DeepEqual(withoutIDs(r, got), withoutIDs(r, data))
		})
		var status struct{ Withdrawn *struct{ Reason string } }
		if _, _, err := r.get("/v1/reports/"+mine[1].Report+"/status", &status); err != nil || status.Withdrawn == nil {
			r.Errorf("report %s of %s is not withdrawn (%v)", mine[1].Report, vehicle, err)
		}
	}
}

// withoutIDs is an assessment without what no two have in common.
func withoutIDs(r *rig, assessment []byte) (a map[string]any) {
	if err := json.Unmarshal(assessment, &a); err != nil {
		r.Errorf("read assessment: %v", err)
	}
	delete(a, "id")
	delete(a, "report")
	return a
}

// eraseAmid posts three reports on a vehicle of its own and erases it while they are worked on and a worker is killed.
func eraseAmid(r *rig) {
	mine, ok := r.postThree("erased")
	if !ok {
		return
	}
	p := some(r, r.workers)
	p.signal(syscall.SIGKILL)
	vehicle := mine[0].vehicle
	// Who hears no answer asks again, and is told that there is no such vehicle.
	r.insist(http.MethodDelete, "/v1/vehicles/"+vehicle, fmt.Sprintf(`{"reference": %q, "reason": "sold, and its owner asked for it"}`, vehicle), http.StatusOK, http.StatusNotFound)
	<-p.done()
	r.start(p)
	r.ownReports = append(r.ownReports, mine)
}

// checkErased wants nothing to be left of the vehicles, by any way in and in any table.
func checkErased(r *rig) {
	for _, mine := range r.ownReports {
		vehicle := mine[0].vehicle
		paths := []string{"/v1/vehicles/" + vehicle}
		for _, a := range mine {
			paths = append(paths, "/v1/assessments/"+a.ID, "/v1/reports/"+a.Report)
		}
		for _, path := range paths {
			var problem any
			if status, data, err := r.get(path, &problem); err != nil || status != http.StatusNotFound {
				r.Errorf("%s after the erasure: %d %.200s (%v)", path, status, data, err)
			}
		}
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	conn, err := pgx.Connect(ctx, r.database)
	if err != nil {
		r.Fatal(err)
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, "SELECT table_name FROM information_schema.tables WHERE table_schema = current_schema()")
	if err != nil {
		r.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(tables) < 5 {
		r.Fatal(tables, err)
	}
	for _, table := range tables {
		var n int
		name := pgx.Identifier{table}.Sanitize()
		if err := conn.QueryRow(ctx, "SELECT count(*) FROM "+name+" AS row WHERE row::text LIKE '%erased-own-%'").Scan(&n); err != nil || n > 0 {
			r.Errorf("%d rows of %s name a vehicle that was erased (%v)", n, table, err)
		}
	}
}

// postThree posts three reports on a vehicle that no client writes about.
func (r *rig) postThree(what string) (mine []accepted, ok bool) {
	l := &load{rig: r, odd: map[string]int{}}
	vehicle := fmt.Sprintf("%s-own-%d", what, len(r.ownReports))
	for i := range 3 {
		s := submission{number: i, vehicle: vehicle, key: fmt.Sprintf("%s-%d", vehicle, i)}
		s.body = l.write(r.rng, s, 0)
		a, ok := l.send(reader, r.rng, s)
		if !ok {
			return nil, false
		}
		mine = append(mine, a)
	}
	for answer, n := range l.odd {
		r.Errorf("%d times: %s", n, answer)
	}
	return mine, true
}

// insist asks until it is answered by one of the statuses given; what is no answer or says that it should be asked
// again is no reason to stop.
func (r *rig) insist(method, path, body string, good ...int) {
	for n := 0; ; n++ {
		status, data, err := r.ask(n, method, path, body)
		switch {
		case err == nil && slices.Contains(good, status):
			return
		case n > 600:
			r.Errorf("%s %s was never answered: %d (%v)", method, path, status, err)
			return
		case err == nil && status != http.StatusServiceUnavailable:
			r.Errorf("%s %s: %d %.300s", method, path, status, data)
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// ask asks one of the APIs, once.
func (r *rig) ask(n int, method, path, body string) (status int, data []byte, err error) {
	req, err := http.NewRequest(method, r.api(n).url()+path, strings.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	if r.key != "" {
		req.Header.Set("Authorization", "Bearer "+r.key)
	}
	res, err := reader.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	data, err = io.ReadAll(res.Body)
	return res.StatusCode, data, err
}
