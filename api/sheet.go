package api

import (
	"net/url"
	"slices"
	"strings"

	"laidup/api/pages"
	"laidup/internal/assess"
	"laidup/internal/score"
)

// getSheet prints a sheet of a finished assessment, as a page or as PDF.
func (a *API) getSheet(r *request) (reply, error) {
	whole, stored, err := a.finishedOf(r)
	if err != nil {
		return reply{}, err
	}
	name, gate := r.query.Get("sheet"), r.query.Get("gate")
	if name == "" {
		name = pages.SheetNames[0]
	}
	if !slices.Contains(pages.SheetNames, name) {
		return reply{}, badQuery.says("sheet is one of %s", strings.Join(pages.SheetNames, ", "))
	}
	if gate == "" {
		gate = whole.Verdict.Gate
	}
	if !slices.ContainsFunc(whole.Gates, func(g score.Gate) bool { return g.Gate == gate }) {
		return reply{}, &assess.NoSuchGateError{Gates: gateNames(whole)}
	}
	dossier, err := r.account.Dossier(r.Context(), stored)
	if err != nil {
		return reply{}, err
	}
	sheet, err := a.sheets.Make(name, gate, whole, dossier)
	if err != nil {
		return reply{}, err
	}
	view := pages.SheetView{Frame: a.frame(r, sheet.Title, "vehicles"), Sheet: sheet, PDF: sheetAt(whole.ID, name, gate, "pdf")}
	for _, other := range pages.SheetNames {
		view.Others = append(view.Others, pages.SheetLink{Name: other, At: sheetAt(whole.ID, other, gate, ""), Here: other == name})
	}
	out, other, ending := reply{}, `<`+view.PDF+`>; rel="alternate"; type="`+mediaPDF+`"`, "html"
	if r.media == mediaPDF {
		other, ending = `<`+sheetAt(whole.ID, name, gate, "html")+`>; rel="alternate"; type="`+mediaHTML+`"`, "pdf"
		body, err := sheet.PDF()
		if err != nil {
			return reply{}, err
		}
		out.body = raw(body)
	} else if out, err = a.page("sheet", view); err != nil {
		return reply{}, err
	}
	out.header = map[string]string{
		"Link":                other,
		"Content-Disposition": `inline; filename="` + sheetFile(name, whole) + `.` + ending + `"`,
	}
	return out, nil
}

// sheetAt is where a sheet is.
func sheetAt(id, name, gate, format string) string {
	q := url.Values{"sheet": {name}, "gate": {gate}}
	if format != "" {
		q.Set("format", format)
	}
	return "/v1/assessments/" + id + "/sheet?" + q.Encode()
}

// sheetFile is what a sheet is called where it is kept. The header that says so has quotes around it:
// nothing but a name goes in.
func sheetFile(name string, a *score.Assessment) string {
	file := name + "-" + a.Vehicle + "-" + a.AsOf
	if !isName(a.Vehicle) || !isName(a.AsOf) {
		file = name + "-" + a.ID
	}
	return file
}
