package score

import "laidup/internal/ruleset"

// Level returns the probability level A to E by the quantitative bounds of MIL-STD-882E (2012),
// Appendix A, Table A-II; a bound belongs to the higher level (that side from memory). F,
// Eliminated, is not a matter of probability.
func Level(p float64) byte {
	switch {
	case p >= 1e-1:
		return 'A'
	case p >= 1e-2:
		return 'B'
	case p >= 1e-3:
		return 'C'
	case p >= 1e-6:
		return 'D'
	}
	return 'E'
}

// matrix is MIL-STD-882E (2012) Table III: rows A to F, columns Catastrophic to Negligible.
var matrix = [6][4]ruleset.Risk{
	{ruleset.High, ruleset.High, ruleset.Serious, ruleset.Medium},
	{ruleset.High, ruleset.High, ruleset.Serious, ruleset.Medium},
	{ruleset.High, ruleset.Serious, ruleset.Medium, ruleset.Low},
	{ruleset.Serious, ruleset.Medium, ruleset.Medium, ruleset.Low},
	{ruleset.Medium, ruleset.Medium, ruleset.Medium, ruleset.Low},
	{ruleset.Eliminated, ruleset.Eliminated, ruleset.Eliminated, ruleset.Eliminated},
}

// RiskOf returns the risk level of a severity and a probability level A to F.
func RiskOf(s ruleset.Severity, level byte) ruleset.Risk {
	return matrix[level-'A'][s-ruleset.Catastrophic]
}
