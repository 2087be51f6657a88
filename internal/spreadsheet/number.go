package spreadsheet

import (
	"regexp"
	"strings"
	"unicode/utf8"
)

// numberForm is a number, with a point or a comma before its decimals, and what follows it.
var numberForm = regexp.MustCompile(`^([+-]?)([0-9]+)(?:([.,])([0-9]+))?([eE][+-]?[0-9]+)?(.*)$`)

// readNumber reads a number, perhaps with its unit, and returns it as JSON writes numbers; or how to mend it.
// comma is what separates the columns: where it is a comma, none can stand before decimals.
//
// 12.345 and 12,345 may be twelve thousand or a little more than twelve, depending on who wrote it. A point
// in a file whose columns are separated by commas stands before decimals for certain; in all others neither
// is guessed.
func readNumber(text string, comma rune) (number, unit, mend string) {
	m := numberForm.FindStringSubmatch(text)
	if m == nil {
		return "", "", "not a number: write one such as 12.4"
	}
	sign, whole, point, decimals, exponent, unit := m[1], m[2], m[3], m[4], m[5], strings.TrimSpace(m[6])
	next, _ := utf8.DecodeRuneInString(unit)
	switch {
	case strings.ContainsRune("0123456789.,'’+-", next):
		return "", "", "not a number: write one such as 12345.6, with nothing between the thousands"
	case point == "," && comma == ',':
		return "", "", "written with a decimal comma, in a file whose columns are separated by commas: write " + sign + whole + "." + decimals + ", or separate the columns by semicolons"
	case comma != ',' && len(decimals) == 3 && len(whole) <= 3 && whole[0] != '0' && exponent == "":
		return "", "", "two numbers, depending on who reads it: write " + whole + decimals + " if these are thousands, or else " + whole + "." + decimals + "0"
	}
	if number = strings.TrimLeft(whole, "0"); number == "" {
		number = "0"
	}
	if point != "" {
		number += "." + decimals
	}
	if sign == "-" {
		number = "-" + number
	}
	return number + exponent, unit, ""
}
