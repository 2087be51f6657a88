package site

import (
	"errors"
	"io"
	"net/url"
	"slices"
	"strings"

	"laidup/api/pages"
	"laidup/api/wire"
	"laidup/internal/assess"
	"laidup/internal/score"
)

// GetSheet prints a sheet of a finished assessment, as a page or as PDF.
func (s *Site) GetSheet(r *wire.Request) (wire.Reply, error) {
	whole, stored, err := wire.FinishedOf(r)
	if err != nil {
		return wire.Reply{}, err
	}
	name, gate := r.Query.Get("sheet"), r.Query.Get("gate")
	if name == "" {
		name = pages.SheetNames[0]
	}
	if !slices.Contains(pages.SheetNames, name) {
		return wire.Reply{}, wire.BadQuery.Says("sheet is one of %s", strings.Join(pages.SheetNames, ", "))
	}
	if gate == "" {
		gate = whole.Verdict.Gate
	}
	if !slices.ContainsFunc(whole.Gates, func(g score.Gate) bool { return g.Gate == gate }) {
		return wire.Reply{}, &assess.NoSuchGateError{Gates: wire.GateNames(whole)}
	}
	dossier, err := r.Account.Dossier(r.Context(), stored)
	if err != nil {
		return wire.Reply{}, err
	}
	covered, err := r.Account.Covered(r.Context(), stored)
	if err != nil {
		return wire.Reply{}, err
	}
	reports, err := rowsOf(covered)
	if err != nil {
		return wire.Reply{}, err
	}
	sheet, err := s.sheets.Make(name, gate, whole, dossier, reports)
	if err != nil {
		return wire.Reply{}, err
	}
	view := pages.SheetView{Frame: s.frame(r, sheet.Title, "vehicles"), Sheet: sheet, PDF: sheetAt(whole.ID, name, gate, "pdf")}
	for _, other := range pages.SheetNames {
		view.Others = append(view.Others, pages.SheetLink{Name: other, At: sheetAt(whole.ID, other, gate, ""), Here: other == name})
	}
	out, other, ending := wire.Reply{}, `<`+view.PDF+`>; rel="alternate"; type="`+wire.MediaPDF+`"`, "html"
	if r.Media == wire.MediaPDF {
		other, ending = `<`+sheetAt(whole.ID, name, gate, "html")+`>; rel="alternate"; type="`+wire.MediaHTML+`"`, "pdf"
		if err := thumbnails(r, sheet.Pictures()); err != nil {
			return wire.Reply{}, err
		}
		body, err := sheet.PDF()
		if err != nil {
			return wire.Reply{}, err
		}
		out.Body = wire.Raw(body)
	} else if out, err = s.page("sheet", view); err != nil {
		return wire.Reply{}, err
	}
	out.Header = map[string]string{
		"Link":                other,
		"Content-Disposition": `inline; filename="` + sheetFile(name, whole) + `.` + ending + `"`,
	}
	return out, nil
}

// thumbnails reads those of photos. One that is not to be had is left out: a sheet is wanted with a gap rather than not at all.
func thumbnails(r *wire.Request, pictures []*pages.Picture) error {
	for _, p := range pictures {
		a, err := r.Account.Attachment(r.Context(), p.ID)
		var file io.ReadSeekCloser
		if err == nil {
			file, err = r.Account.OpenPhoto(r.Context(), a, true)
		}
		var data []byte
		if err == nil {
			data, err = io.ReadAll(io.LimitReader(file, pages.ThumbnailBytes+1))
			err = errors.Join(err, file.Close())
		}
		switch {
		case r.Context().Err() != nil:
			return r.Context().Err()
		case errors.Is(err, assess.ErrUnavailable):
			return err // it is there soon
		case err == nil && len(data) <= pages.ThumbnailBytes:
			p.Thumbnail = data
		}
	}
	return nil
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
	if !wire.IsName(a.Vehicle) || !wire.IsName(a.AsOf) {
		file = name + "-" + a.ID
	}
	return file
}
