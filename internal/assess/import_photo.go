package assess

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"laidup/internal/photo"
	"laidup/internal/report"
)

// comingPhoto is a photo of which pieces have come.
type comingPhoto struct {
	id            string
	pieces, piece int    // how many there are, and which came last
	data          []byte // of the pieces so far
	passedOver    bool   // it is there already, or was refused: the rest of it is not looked at
}

// goesOn says whether a line is of the photo.
func (p *comingPhoto) goesOn(l exportLine) bool {
	return l.Kind == lineAttachment && l.ID == p.id && l.Piece > p.piece
}

// cutPhoto ends a photo whose last pieces are missing.
func (im *imports) cutPhoto() {
	if !im.photo.passedOver {
		im.refuse(importProblem("photo %s ends before this line, behind piece %d of %d: "+anotherExport, im.photo.id, im.photo.piece, im.photo.pieces))
	}
	im.photo = nil
}

const anotherExport = "get another export where it comes from, and import that as well"

// attachment takes a piece of a photo.
func (im *imports) attachment(ctx context.Context, l exportLine) error {
	first := im.photo == nil
	switch {
	case first && !report.IsPhotoID(l.ID):
		im.refuse(importProblem("an attachment has an id, which is 64 of the characters 0-9 and a-f"))
		return nil
	case first && l.Pieces <= 0:
		im.refuse(importProblem("the file of photo %s was missing where the export comes from: bring it back there, and "+anotherExport, l.ID))
		return nil
	case first:
		im.photo = &comingPhoto{id: l.ID, pieces: l.Pieces}
		if there, err := im.photoIsThere(ctx, l.ID); err != nil || there {
			im.photo.passedOver = true
			if err != nil {
				return err
			}
			im.done.AlreadyThere++
		}
	}
	p := im.photo
	if l.Piece >= p.pieces {
		defer func() { im.photo = nil }()
	}
	if p.passedOver {
		p.piece = l.Piece
		return nil
	}
	why := ""
	switch {
	case im.own.service.files == nil:
		why = "photos are not set up here: say by --attachments where they are kept, and import again"
	case l.Piece != p.piece+1:
		why = fmt.Sprintf("piece %d of %d is missing before this line: %s", p.piece+1, p.pieces, anotherExport)
	case l.Pieces != p.pieces:
		why = fmt.Sprintf("there are %d pieces by this line, and %d by the first: %s", l.Pieces, p.pieces, anotherExport)
	case len(p.data)+len(l.Content) > photo.MaxStored:
		why = fmt.Sprintf("it has more than %d bytes, which is the limit", photo.MaxStored)
	}
	p.piece = l.Piece
	if p.data = append(p.data, l.Content...); why == "" && p.piece == p.pieces {
		return im.wholePhoto(ctx, p)
	}
	if why != "" {
		im.refusePhoto(why)
	}
	return nil
}

// refusePhoto refuses the one that is under way.
func (im *imports) refusePhoto(why string) {
	im.photo.passedOver, im.photo.data = true, nil
	im.refuse(importProblem("photo %s cannot be taken: %s", im.photo.id, why))
}

// photoIsThere says whether a photo is there, which is not pruned for a while then.
func (im *imports) photoIsThere(ctx context.Context, id string) (bool, error) {
	own := im.own
	if own.service.files == nil {
		return false, nil
	}
	err := own.service.patiently(ctx, "attachment", func() error {
		_, err := own.service.attachments.TouchAttachment(ctx, own.organisation, id, own.service.clock())
		return err
	})
	if errors.Is(err, ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}

// wholePhoto stores one whose last piece has come.
func (im *imports) wholePhoto(ctx context.Context, p *comingPhoto) error {
	digest := sha256.Sum256(p.data)
	if hex.EncodeToString(digest[:]) != p.id {
		im.refusePhoto("it is damaged, since its id is not its digest: " + anotherExport)
		return nil
	}
	own := im.own
	err := own.service.patiently(ctx, "attachment", func() error {
		picture, err := photo.ReadStored(p.data)
		if err != nil {
			return err
		}
		made, err := own.service.prepare(ctx, picture)
		if err == nil {
			_, _, err = own.keep(ctx, made)
		}
		return err
	})
	var unusable *photo.UnusableError
	var wrong *photo.WrongKindError
	switch {
	case errors.As(err, &unusable), errors.As(err, &wrong):
		im.refusePhoto(err.Error())
		return nil
	case err != nil:
		return err
	}
	im.done.Attachments++
	im.newPhotos = true
	return nil
}

// linkPhotos links a report that was there before to photos that have come since.
func (im *imports) linkPhotos(ctx context.Context, id string, body []byte) error {
	if !im.newPhotos {
		return nil
	}
	said, err := Report{Body: body}.Said()
	if err != nil || len(said.Photos) == 0 {
		return nil // it is stored as it is
	}
	var ids []string
	for _, shown := range said.Photos {
		ids = append(ids, shown.ID)
	}
	own := im.own
	err = own.service.patiently(ctx, "links to photos", func() error {
		return own.service.attachments.LinkPhotos(ctx, own.organisation, id, ids)
	})
	if errors.Is(err, ErrNotFound) { // it is being erased
		return nil
	}
	return err
}
