package assess

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"laidup/internal/report"
)

// lineProblem is why a line has no assessment, in the form of RFC 9457.
type lineProblem struct {
	Type   string         `json:"type"`
	Title  string         `json:"title"`
	Detail string         `json:"detail"`
	Errors []report.Fault `json:"errors,omitempty"`
}

func (p lineProblem) encode() []byte {
	b, err := json.Marshal(p)
	if err != nil {
		panic(fmt.Errorf("encode problem: %w", err)) // strings and faults always can be written
	}
	return b
}

// DossierFullAdvice says what to do where a vehicle has [MaxReports].
var DossierFullAdvice = fmt.Sprintf("A vehicle can have at most %d reports. Continue under another reference.", MaxReports)

// DossierFullProblem is why a line has no assessment whose vehicle has [MaxReports] already.
func DossierFullProblem() []byte {
	return lineProblem{"/problems/dossier-full", "The vehicle has as many reports as it may have", DossierFullAdvice, nil}.encode()
}

// nothingToReplace is the fault of a report that is to replace one which it cannot.
var nothingToReplace = []report.Fault{{
	Pointer: "/replaces", Code: report.WrongValue,
	Detail: "there is no such report on this vehicle, or another one replaces it already: GET /v1/vehicles/{reference}/reports lists them; leave it out if this report stands beside the others",
}}

// LineTooLongProblem is why a line has no assessment that has more bytes than a report may have.
func LineTooLongProblem(most int) []byte {
	return lineProblem{"/problems/body-too-large", "The line is too long", fmt.Sprintf("a report is at most %d bytes long: split it", most), nil}.encode()
}

// InvalidLineProblem is why a line has no assessment that is no valid report.
func InvalidLineProblem(faults []report.Fault) []byte {
	return lineProblem{"/problems/invalid-report", "Invalid report", "Fix the problems listed in errors. Nothing of this line was stored.", faults}.encode()
}

// readLine reads a line of a batch without its end, and keeps most bytes of it; long says that there were
// more. size is what it took, with its end. each, unless nil, gets all of it in parts, as they are read.
// The error is io.EOF behind the last line.
func readLine(lines *bufio.Reader, most int, each func(part []byte)) (body []byte, size int64, long bool, err error) {
	for {
		part, err := lines.ReadSlice('\n')
		ended := err == nil || errors.Is(err, io.EOF)
		switch {
		case !ended && !errors.Is(err, bufio.ErrBufferFull):
			return nil, size, long, err
		case err != nil && size == 0 && len(part) == 0:
			return nil, 0, false, io.EOF
		}
		size += int64(len(part))
		part = bytes.TrimSuffix(part, []byte("\n"))
		if each != nil {
			each(part)
		}
		if room := most - len(body); len(part) > room {
			long, part = true, part[:max(0, room)]
		}
		body = append(body, part...)
		if ended {
			return body, size, long, nil
		}
	}
}
