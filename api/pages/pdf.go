package pages

import (
	"bytes"
	"fmt"
	"image/jpeg"
	"slices"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"
)

// Measures of a page, in points: A4.
const (
	pageWidth, pageHeight      = 595.28, 841.89
	pageLeft, pageRight        = 50.0, pageWidth - 50
	pageTop, pageBottom        = 54.0, pageHeight - 52
	firstTop                   = 40.0 // of the page that has the title
	bodySize                   = 11.0
	tableSize                  = 10.0
	smallSize                  = 9.0
	leading                    = 1.27      // of a size: from line to line
	indent                     = 22.0      // of the text of an item
	gap                        = 4.0       // between blocks
	cellPad, numberPad         = 6.0, 12.0 // between a cell and the next
	boxSide                    = 10.0
	thin, thick, double        = 0.5, 1.1, 2.4
	blankHeight, blankLabelled = 34.0, 150.0
	photosInRow, photoGap      = 4, 10.0
)

// PDF writes the sheet as PDF: the same sheet always as the same bytes.
func (s *Sheet) PDF() ([]byte, error) {
	w, err := newPDF(s)
	if err != nil {
		return nil, err
	}
	w.draw(w.printable(s.Running), s.PageOf)
	var out bytes.Buffer
	if err := w.doc.Output(&out); err != nil {
		return nil, fmt.Errorf("write sheet %s of %s: %w", s.Name, s.Assessment, err)
	}
	return out.Bytes(), nil
}

// newPDF lays a sheet on pages, which are still to be drawn.
func newPDF(s *Sheet) (*pdfWriter, error) {
	faces, err := fonts()
	if err != nil {
		return nil, err
	}
	w := &pdfWriter{doc: fpdf.New("P", "pt", "A4", ""), foot: s.Foot, faces: faces}
	w.doc.SetAutoPageBreak(false, 0)
	w.doc.SetCatalogSort(true)
	w.doc.SetCreationDate(s.day())
	w.doc.SetModificationDate(s.day())
	w.doc.AddUTF8FontFromBytes(fontName, "", goregular.TTF)
	w.doc.AddUTF8FontFromBytes(fontName, "B", gobold.TTF)
	w.doc.SetTitle(w.printable(s.Running), true)
	w.doc.SetCreator("laidup", true)
	w.sheet(s)
	if w.lost {
		w.blocks = append(w.blocks, w.paragraph(s.LostLetters, smallSize))
	}
	w.lay()
	return w, w.doc.Error()
}

const fontName = "go"

// phrase is text in one face.
type phrase struct {
	text string
	bold bool
}

// run is a piece of a line: where its baseline begins, from the upper left of its block.
type run struct {
	x, y float64
	phrase
	size float64
}

// stroke is a line, or a box where it has a height.
type stroke struct{ x, y, width, height, weight float64 }

// placement is where a picture stands.
type placement struct {
	name                string
	x, y, width, height float64
}

// block is what stays together on a page.
type block struct {
	height  float64
	runs    []run
	strokes []stroke
	images  []placement
	with    bool   // the next block stands on the same page
	head    *block // what stands above it where it begins a page: the head of its table
}

// placed is a block on a page. Of one that is higher than a page a part is shown, from a height to
// another.
type placed struct {
	*block
	y, from, to float64
}

type pdfWriter struct {
	doc    *fpdf.Fpdf
	faces  []*sfnt.Font
	foot   string
	blocks []block
	pages  [][]placed
	lost   bool // there was a letter that the fonts do not have
}

// sheet makes blocks of a sheet.
func (w *pdfWriter) sheet(s *Sheet) {
	title := w.text([]phrase{{s.Title, true}}, 20, 0, pageRight-pageLeft)
	title.with = true
	w.blocks = append(w.blocks, title)
	vehicle := w.paragraph(s.Vehicle, 14)
	vehicle.strokes = []stroke{{0, vehicle.height + 3, pageRight - pageLeft, 0, thick}, {0, vehicle.height + 3 + double, pageRight - pageLeft, 0, thick}}
	vehicle.height += 12
	w.blocks = append(w.blocks, vehicle)
	if s.Alarm != "" {
		alarm := w.text([]phrase{{s.Alarm, true}}, 26, 12, pageRight-pageLeft-24)
		for i := range alarm.runs {
			alarm.runs[i].y += 8
		}
		alarm.height += 18
		alarm.strokes = []stroke{{1, 0, pageRight - pageLeft - 2, alarm.height, double}}
		alarm.height += 6
		w.blocks = append(w.blocks, alarm)
	}
	w.sections(s.First)
	facts := len(w.blocks)
	for _, f := range s.Facts {
		label := w.text([]phrase{{f.Label, true}}, smallSize, 0, 95)
		value := w.text([]phrase{{f.Text, false}}, smallSize, 100, pageRight-pageLeft-100)
		w.blocks = append(w.blocks, beside(label, value))
	}
	if len(s.First) > 0 && facts < len(w.blocks) {
		first := &w.blocks[facts]
		for i := range first.runs {
			first.runs[i].y += 8
		}
		first.height += 8
		first.strokes = []stroke{{0, 3, pageRight - pageLeft, 0, thin}}
	}
	w.sections(s.Sections)
}

func (w *pdfWriter) sections(sections []Section) {
	for _, s := range sections {
		head := w.text([]phrase{{s.Heading, true}}, 13, 0, pageRight-pageLeft)
		for i := range head.runs {
			head.runs[i].y += 9
		}
		head.height += 9
		head.strokes = []stroke{{0, head.height, pageRight - pageLeft, 0, thin}}
		head.height += 5
		head.with = true
		w.blocks = append(w.blocks, head)
		for _, p := range s.Parts {
			w.part(p)
		}
	}
}

func (w *pdfWriter) part(p Part) {
	if p.Text != "" {
		one := w.text([]phrase{{p.Text, p.Strong}}, bodySize, 0, pageRight-pageLeft)
		one.height += gap
		// It says what the list or table under it is.
		one.with = true
		w.blocks = append(w.blocks, one)
	}
	for i, it := range p.Items {
		w.blocks = append(w.blocks, w.item(it, p.Mark, i+1))
	}
	if p.Table != nil {
		w.table(p.Table)
	}
	if len(p.Blanks) > 0 {
		w.blanks(p.Blanks)
	}
	for row := range slices.Chunk(p.Photos, photosInRow) {
		w.blocks = append(w.blocks, w.photos(row))
	}
}

// photos puts some side by side, each with what it shows under it.
func (w *pdfWriter) photos(row []*Picture) block {
	const width, height = (pageRight - pageLeft - (photosInRow-1)*photoGap) / photosInRow, 96.0
	one := block{height: height}
	for i, p := range row {
		x := float64(i) * (width + photoGap)
		if at, ok := w.image(p, x, width, height); ok {
			one.images = append(one.images, at)
		} else {
			one.strokes = append(one.strokes, stroke{x, 0, width, height, thin})
		}
		caption := w.text([]phrase{{p.Caption, false}}, smallSize, x, width)
		for _, r := range caption.runs {
			r.y += height
			one.runs = append(one.runs, r)
		}
		one.height = max(one.height, height+caption.height)
	}
	one.height += 2 * gap
	return one
}

// image takes a thumbnail in, and says where it goes in a frame; false: it cannot be shown.
func (w *pdfWriter) image(p *Picture, x, width, height float64) (placement, bool) {
	c, err := jpeg.DecodeConfig(bytes.NewReader(p.Thumbnail))
	if err != nil || c.Width == 0 || c.Height == 0 {
		return placement{}, false
	}
	w.doc.RegisterImageOptionsReader(p.ID, fpdf.ImageOptions{ImageType: "JPG"}, bytes.NewReader(p.Thumbnail))
	scale := min(width/float64(c.Width), height/float64(c.Height))
	return placement{p.ID, x, 0, float64(c.Width) * scale, float64(c.Height) * scale}, true
}

func (w *pdfWriter) paragraph(text string, size float64) block {
	return w.text([]phrase{{text, false}}, size, 0, pageRight-pageLeft)
}

func (w *pdfWriter) item(it Item, mark Mark, number int) block {
	const width = pageRight - pageLeft - indent
	var spans []phrase
	if it.Head != "" {
		spans = append(spans, phrase{it.Head + ":", true})
	}
	one := w.text(append(spans, phrase{it.Text, false}), bodySize, indent, width)
	for _, n := range it.Notes {
		note := w.text([]phrase{{n.Label + ":", true}, {n.Text, false}}, tableSize, indent, width)
		one = under(one, note)
	}
	switch mark {
	case Box:
		one.strokes = append(one.strokes, stroke{1, 2, boxSide, boxSide, thick})
	case Number:
		one.runs = append([]run{{0, bodySize * 1.02, phrase{fmt.Sprintf("%d.", number), false}, bodySize}}, one.runs...)
	default:
		one.strokes = append(one.strokes, stroke{7, bodySize * 0.72, 7, 0, thick})
	}
	one.height += gap
	return one
}

// under puts a block under another one.
func under(a, b block) block {
	for _, r := range b.runs {
		r.y += a.height
		a.runs = append(a.runs, r)
	}
	a.height += b.height
	return a
}

// beside puts blocks side by side.
func beside(all ...block) block {
	var one block
	for _, b := range all {
		one.runs = append(one.runs, b.runs...)
		one.height = max(one.height, b.height)
	}
	return one
}

func (w *pdfWriter) table(t *Table) {
	cells := func(bold bool, weight float64, cell func(int) Cell) block {
		var all []block
		x := 0.0
		for i, c := range t.Columns {
			width := c.Share * (pageRight - pageLeft)
			size, small := tableSize, smallSize
			if bold {
				size = smallSize
			}
			pad := cellPad
			if c.Number {
				pad = numberPad
			}
			one := w.text([]phrase{{cell(i).Text, bold}}, size, x, width-pad)
			if s := cell(i).Small; s != "" {
				one = under(one, w.text([]phrase{{s, false}}, small, x, width-pad))
			}
			if c.Number {
				w.right(&one, x+width-pad)
			}
			all = append(all, one)
			x += width
		}
		row := beside(all...)
		for i := range row.runs {
			row.runs[i].y += 2
		}
		row.height += 5
		row.strokes = []stroke{{0, row.height, pageRight - pageLeft, 0, weight}}
		return row
	}
	head := cells(true, thick, func(i int) Cell { return Cell{Text: t.Columns[i].Head} })
	head.with = true
	w.blocks = append(w.blocks, head)
	for _, r := range t.Rows {
		row := cells(false, thin, func(i int) Cell { return r[i] })
		row.head = &head
		w.blocks = append(w.blocks, row)
	}
	w.blocks[len(w.blocks)-1].height += gap
}

// right moves the lines of a block so that they end at x.
func (w *pdfWriter) right(b *block, x float64) {
	for i, r := range b.runs {
		b.runs[i].x = x - w.width(r.phrase, r.size)
	}
}

// blanks leaves room to write on lines.
func (w *pdfWriter) blanks(labels []string) {
	for _, label := range labels {
		one := w.text([]phrase{{label, false}}, bodySize, 0, blankLabelled-cellPad)
		rise := max(0, blankHeight-one.height)
		for i := range one.runs {
			one.runs[i].y += rise
		}
		one.height += rise
		one.strokes = []stroke{{blankLabelled, one.height - 2, pageRight - pageLeft - blankLabelled, 0, thin}}
		one.with = label != labels[len(labels)-1]
		w.blocks = append(w.blocks, one)
	}
}

// text breaks phrases into lines. A word that is wider than a line is broken where the line ends.
func (w *pdfWriter) text(spans []phrase, size, x, width float64) block {
	b := block{}
	at, line := 0.0, 0
	put := func(word string, bold bool) {
		spaced := word
		if at > 0 {
			spaced = " " + word
		}
		wide := w.width(phrase{spaced, bold}, size)
		if at > 0 && at+wide > width {
			line, at, spaced = line+1, 0, word
			wide = w.width(phrase{spaced, bold}, size)
		}
		y := size*1.02 + float64(line)*size*leading
		if n := len(b.runs); at > 0 && n > 0 && b.runs[n-1].bold == bold {
			b.runs[n-1].text += spaced
		} else {
			b.runs = append(b.runs, run{x + at, y, phrase{spaced, bold}, size})
		}
		at += wide
	}
	for _, s := range spans {
		for _, word := range strings.Fields(strings.ReplaceAll(w.printable(s.text), "\u00a0", "\x00")) {
			word = strings.ReplaceAll(word, "\x00", "\u00a0")
			for w.width(phrase{word, s.bold}, size) > width {
				n := w.fitting(word, s.bold, size, width)
				put(word[:n], s.bold)
				word = word[n:]
			}
			put(word, s.bold)
		}
	}
	b.height = float64(line+1) * size * leading
	if len(b.runs) == 0 {
		b.height = 0
	}
	return b
}

// fitting is how many bytes of a word fit into a width: at least one letter.
func (w *pdfWriter) fitting(word string, bold bool, size, width float64) int {
	_, n := utf8.DecodeRuneInString(word)
	for i, r := range word {
		if end := i + utf8.RuneLen(r); w.width(phrase{word[:end], bold}, size) <= width {
			n = max(n, end)
		} else {
			break
		}
	}
	return n
}

func (w *pdfWriter) width(s phrase, size float64) float64 {
	w.face(s.bold, size)
	return w.doc.GetStringWidth(s.text)
}

func (w *pdfWriter) face(bold bool, size float64) {
	style := ""
	if bold {
		style = "B"
	}
	w.doc.SetFont(fontName, style, size)
}

// lay puts the blocks on pages.
func (w *pdfWriter) lay() {
	y := pageBottom + 1 // so that the first block begins a page
	for i := range w.blocks {
		b := &w.blocks[i]
		if y+w.together(i) > pageBottom {
			y = pageTop
			if len(w.pages) == 0 {
				y = firstTop
			}
			w.pages = append(w.pages, nil)
			if b.head != nil {
				y = w.put(b.head, y)
			}
		}
		y = w.put(b, y)
	}
}

// together is how high the blocks are that have to stand on the page of block i.
func (w *pdfWriter) together(i int) float64 {
	height := w.blocks[i].height
	for ; w.blocks[i].with && i+1 < len(w.blocks); i++ {
		height += w.blocks[i+1].height
	}
	return min(height, pageBottom-pageTop)
}

// put puts a block at y, on as many pages as it needs, and returns where the next one goes.
func (w *pdfWriter) put(b *block, y float64) float64 {
	from := 0.0
	for {
		last := len(w.pages) - 1
		room := pageBottom - y
		if b.height-from <= room || room <= 0 {
			w.pages[last] = append(w.pages[last], placed{b, y - from, from, b.height + 1})
			return y + b.height - from
		}
		w.pages[last] = append(w.pages[last], placed{b, y - from, from, from + room})
		from += room
		w.pages = append(w.pages, nil)
		y = pageTop
	}
}

// draw writes the pages.
func (w *pdfWriter) draw(running, pageOf string) {
	const numbered = 80 // the width of the number of a page
	foot := w.text([]phrase{{w.foot, false}}, 8, 0, pageRight-pageLeft-numbered)
	for n, page := range w.pages {
		w.doc.AddPage()
		w.doc.SetTextColor(0, 0, 0)
		w.doc.SetDrawColor(0, 0, 0)
		if n > 0 {
			head := w.text([]phrase{{running, false}}, smallSize, 0, pageRight-pageLeft)
			// What does not fit one line is no help in keeping sheets together.
			w.runs(head.runs[:min(1, len(head.runs))], pageLeft, 28)
			w.stroke(stroke{pageLeft, 43, pageRight - pageLeft, 0, thin})
		}
		for _, b := range page {
			w.block(b)
		}
		w.stroke(stroke{pageLeft, pageBottom + 8, pageRight - pageLeft, 0, thin})
		w.runs(foot.runs, pageLeft, pageBottom+12)
		number := w.text([]phrase{{fmt.Sprintf(pageOf, n+1, len(w.pages)), true}}, smallSize, 0, pageRight-pageLeft)
		w.right(&number, pageRight-pageLeft)
		w.runs(number.runs, pageLeft, pageBottom+12)
	}
}

// block draws what belongs on this page of a block.
func (w *pdfWriter) block(b placed) {
	var here []run
	for _, r := range b.runs {
		if r.y >= b.from && r.y < b.to {
			here = append(here, r)
		}
	}
	w.runs(here, pageLeft, b.y)
	for _, s := range b.strokes {
		if s.y+s.height >= b.from-5 && s.y+s.height <= b.to {
			s.x, s.y = s.x+pageLeft, s.y+b.y
			w.stroke(s)
		}
	}
	for _, i := range b.images { // their block is never higher than a page
		w.doc.ImageOptions(i.name, pageLeft+i.x, b.y+i.y, i.width, i.height, false, fpdf.ImageOptions{ImageType: "JPG"}, 0, "")
	}
}

func (w *pdfWriter) runs(runs []run, x, y float64) {
	for _, r := range runs {
		w.face(r.bold, r.size)
		w.doc.Text(x+r.x, y+r.y, r.text)
	}
}

func (w *pdfWriter) stroke(s stroke) {
	w.doc.SetLineWidth(s.weight)
	if s.height > 0 {
		w.doc.Rect(s.x, s.y, s.width, s.height, "D")
	} else {
		w.doc.Line(s.x, s.y, s.x+s.width, s.y)
	}
}

// fonts are the faces, parsed to ask which letters they have.
var fonts = sync.OnceValues(func() ([]*sfnt.Font, error) {
	var all []*sfnt.Font
	for _, data := range [][]byte{goregular.TTF, gobold.TTF} {
		f, err := sfnt.Parse(data)
		if err != nil {
			return nil, fmt.Errorf("read font: %w", err)
		}
		all = append(all, f)
	}
	return all, nil
})

// noLetter stands for a letter that the fonts do not have.
const noLetter = '□'

// printable leaves letters that the fonts have. One with a mark that they lack loses the mark.
func (w *pdfWriter) printable(s string) string {
	var buffer sfnt.Buffer
	has := func(r rune) bool {
		if r > 0xffff { // the writer has none of them
			return false
		}
		for _, f := range w.faces {
			if i, err := f.GlyphIndex(&buffer, r); err != nil || i == 0 {
				return false
			}
		}
		return true
	}
	var b strings.Builder
	for _, r := range s {
		if has(r) {
			b.WriteRune(r)
			continue
		}
		base, _ := utf8.DecodeRuneInString(norm.NFD.String(string(r)))
		switch {
		case unicode.Is(unicode.M, r):
		case base != r && has(base):
			b.WriteRune(base)
		default:
			b.WriteRune(noLetter)
			w.lost = true
		}
	}
	return b.String()
}
