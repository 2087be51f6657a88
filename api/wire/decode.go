package wire

import (
	"errors"
	"fmt"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// PlaceOf says where JSON is not what was wanted, without the words of the decoder, which speaks of
// our program.
func PlaceOf(err error) string {
	var syntax *jsontext.SyntacticError
	var meaning *json.SemanticError
	switch {
	case errors.As(err, &syntax):
		return fmt.Sprintf(": not JSON, or a name that stands twice, at byte %d", syntax.ByteOffset)
	case errors.As(err, &meaning) && meaning.JSONPointer != "":
		return ": see " + Clip(string(meaning.JSONPointer))
	}
	return ""
}
