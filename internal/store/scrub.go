package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"net/url"
	"os"
	"slices"
	"time"
)

// scrubber removes from SQLite's files what was erased from the database.
//
// What is deleted is overwritten with zeros (secure_delete). That leaves it in two places. Where SQLite
// moves rows between pages, to keep them evenly filled, it leaves what they held as it was in the gap
// between a page's row pointers and its rows: gaps are filled with zeros here. And the write-ahead log has
// pages as they were when the row was written, until it is copied into the file and cut to nothing,
// which SQLite does of itself only now and then, and mostly leaves the log as long as it was: a checkpoint of
// the kind TRUNCATE does both. It needs a moment in which nobody reads what was before; until then it is
// tried again, also by the next program that opens the file.
type scrubber struct {
	path   string
	wanted chan chan struct{} // of who wants to know when it is done
	soon   chan struct{}      // has room for one
	ended  chan struct{}
	stop   func()
}

// scrubPause is the time between the first two tries; it doubles up to patience.
const scrubPause = 100 * time.Millisecond

func startScrubber(path string) *scrubber {
	ctx, cancel := context.WithCancel(context.Background())
	s := &scrubber{path: path, wanted: make(chan chan struct{}), soon: make(chan struct{}, 1), ended: make(chan struct{})}
	s.stop = func() {
		cancel()
		<-s.ended
	}
	go s.run(ctx)
	return s
}

// scrub returns once nothing that was deleted before is in the files, or when ctx ends or readers are in the
// way for too long: then it is done as soon as they let it. Who does not wait has it done soon, with that of
// others.
func (s *scrubber) scrub(ctx context.Context, wait bool) {
	if !wait {
		select {
		case s.soon <- struct{}{}:
		default:
		}
		return
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	done := make(chan struct{})
	select {
	case s.wanted <- done:
	case <-ctx.Done():
		return
	case <-s.ended:
		return
	}
	select {
	case <-done:
	case <-ctx.Done():
	case <-s.ended:
	}
}

func (s *scrubber) run(ctx context.Context) {
	defer close(s.ended)
	var waiting []chan struct{}
	pause := scrubPause
	again := time.NewTimer(0)
	defer again.Stop()
	again.Stop()
	if log, err := os.Stat(s.path + "-wal"); err == nil && log.Size() > 0 {
		again.Reset(0) // whoever had the file before may have been stopped before it was done
	}
	for {
		select {
		case done := <-s.wanted:
			waiting = append(waiting, done)
		case <-s.soon:
		case <-again.C:
		case <-ctx.Done():
			return
		}
		if !s.empty(ctx) {
			again.Reset(pause)
			pause = min(2*pause, patience)
			continue
		}
		pause = scrubPause
		for _, done := range waiting {
			close(done)
		}
		waiting = nil
	}
}

// empty fills the gaps, copies the log into the file and cuts it to nothing, if nobody is in the way.
func (s *scrubber) empty(ctx context.Context) bool {
	// A connection of its own: writes go on meanwhile, and wait for it no longer than a disk takes.
	db, err := openFile(s.path, 1, url.Values{"_pragma": {"busy_timeout(100)", "synchronous(FULL)", "wal_autocheckpoint(0)"}, "_txlock": {"immediate"}})
	if err != nil {
		return false
	}
	defer db.Close()
	if err := fillGaps(ctx, db); err != nil {
		return false
	}
	var busy, pages, copied int
	err = db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &pages, &copied)
	return err == nil && busy == 0
}

// gapsAtOnce is how many pages are written in a transaction: others wait for it.
const gapsAtOnce = 200

// fillGaps fills the gaps of all pages with zeros.
func fillGaps(ctx context.Context, db *sql.DB) error {
	pages, err := withGaps(ctx, db)
	if err != nil {
		return fmt.Errorf("read pages: %w", err)
	}
	for some := range slices.Chunk(pages, gapsAtOnce) {
		err := transact(ctx, db, func(ctx context.Context, tx *sql.Tx) error {
			for _, number := range some {
				var page []byte
				// It may be another page by now.
				if err := tx.QueryRowContext(ctx, "SELECT data FROM sqlite_dbpage WHERE pgno = $1", number).Scan(&page); errors.Is(err, sql.ErrNoRows) {
					continue
				} else if err != nil {
					return err
				}
				from, to := gapOf(number, page)
				clear(page[from:to])
				if _, err := tx.ExecContext(ctx, "UPDATE sqlite_dbpage SET data = $1 WHERE pgno = $2", page, number); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("fill gaps: %w", err)
		}
	}
	return nil
}

// withGaps lists the pages whose gap has anything in it.
func withGaps(ctx context.Context, db *sql.DB) (numbers []int, err error) {
	rows, err := db.QueryContext(ctx, "SELECT pgno, data FROM sqlite_dbpage")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var number int
		var page sql.RawBytes
		if err := rows.Scan(&number, &page); err != nil {
			return nil, err
		}
		if from, to := gapOf(number, page); slices.ContainsFunc(page[from:to], func(b byte) bool { return b != 0 }) {
			numbers = append(numbers, number)
		}
	}
	return numbers, rows.Err()
}

// mostPages is up to which number pages are told apart: the first byte of one that holds the overflow of a
// row is 0 in a file of less than 64 GB.
const mostPages = 1 << 24

// gapOf finds the gap of a page of a B-tree, by the file format that SQLite promises to keep
// (https://www.sqlite.org/fileformat2.html, 1.6). What is no such page has none.
func gapOf(number int, page []byte) (from, to int) {
	if number >= mostPages {
		return 0, 0
	}
	at, header := 0, 8
	if number == 1 {
		at = 100 // behind the header of the file
	}
	switch page[at] {
	case 0x0a, 0x0d: // leaves
	case 0x02, 0x05:
		header = 12
	default: // it holds the overflow of a row, or is free
		return 0, 0
	}
	from = at + header + 2*int(binary.BigEndian.Uint16(page[at+3:]))
	if to = int(binary.BigEndian.Uint16(page[at+5:])); to == 0 {
		to = 1 << 16
	}
	if from > to || to > len(page) {
		return 0, 0
	}
	return from, to
}
