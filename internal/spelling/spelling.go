// Package spelling finds the name that somebody meant. The package is pure.
package spelling

// Nearest is the name that differs from a word by the fewest letters left out, put in or changed (Levenshtein's
// distance), the first in the alphabet of several alike. It is empty where all differ by more than a slip of
// the pen would: one letter of a word of three, two of a word of seven, three of a longer one.
func Nearest(word string, names func(yield func(string) bool)) string {
	best, least := "", min(4, 2+len(word)/4)
	for name := range names {
		if d := distance(word, name, least+1); d < least || d == least && best != "" && name < best {
			best, least = name, d
		}
	}
	return best
}

// distance is the Levenshtein distance of two words, or limit if it is not less.
func distance(a, b string, limit int) int {
	if d := len(a) - len(b); d >= limit || -d >= limit {
		return limit
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			step := diag + 1
			if a[i] == b[j] {
				step = diag
			}
			diag = row[j+1]
			row[j+1] = min(step, row[j]+1, row[j+1]+1)
		}
	}
	return min(row[len(b)], limit)
}
