package report

import (
	"bytes"
	"fmt"
	"unicode/utf8"
)

// vinLength is the length of a vehicle identification number under ISO 3779. Older vehicles have
// shorter ones, of any form.
const vinLength = 17

func (d *decoder) vin() error {
	if d.in.PeekKind() == 'n' {
		return d.in.SkipValue()
	}
	s, ok, err := d.word("a vehicle identification number, or null", vinLength)
	if !ok || err != nil {
		return err
	}
	vin := bytes.Clone(s)
	for i, c := range vin {
		if c >= 'a' && c <= 'z' {
			vin[i] -= 'a' - 'A'
		}
	}
	d.rep.Vehicle.VIN = string(vin)
	if utf8.RuneCount(vin) != vinLength {
		return nil
	}
	if _, ok := checkDigit(vin); !ok {
		d.fault(WrongValue, "a VIN of 17 characters has digits and the letters A to Z without I, O and Q (ISO 3779)")
	} else if odd := OddVIN(string(vin)); odd != "" {
		d.cautions = append(d.cautions, Caution{d.pointer(), odd})
	}
	return nil
}

// OddVIN says what is odd about a VIN in capitals; empty where nothing is, or where it has not the
// length of ISO 3779 and there is nothing to check.
func OddVIN(vin string) string {
	if len(vin) != vinLength {
		return ""
	}
	want, ok := checkDigit([]byte(vin))
	if !ok || want == vin[8] {
		return ""
	}
	return fmt.Sprintf("the check digit (position 9) is %c where 49 CFR 565.15 asks for %c: read the plate again; where the vehicle was not made for North America it need not be one", vin[8], want)
}

// checkDigit works out the check digit of a VIN of 17 characters by 49 CFR 565.15(c); false where
// a character is not allowed by ISO 3779.
func checkDigit(vin []byte) (byte, bool) {
	const (
		letters = "ABCDEFGHJKLMNPRSTUVWXYZ"
		values  = "12345678123457923456789"
	)
	weights := [vinLength]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
	sum := 0
	for i, c := range vin {
		value := c
		if c < '0' || c > '9' {
			at := bytes.IndexByte([]byte(letters), c)
			if at < 0 {
				return 0, false
			}
			value = values[at]
		}
		sum += int(value-'0') * weights[i]
	}
	if sum %= 11; sum == 10 {
		return 'X', true
	}
	return byte('0' + sum%11), true
}
