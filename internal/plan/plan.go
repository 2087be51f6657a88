// Package plan works out what to take apart on a vehicle, in which order, by when and for how much, so
// that a gate becomes clear. It is pure: no clock, no I/O, and no randomness but draws from a fixed seed;
// the same problem gives the same bytes on every machine.
//
// Its parts can be used one by one: [Problem] chooses the cheapest set of ways and jobs, [Sequence] puts
// them in an order, [Network] and [Project] say when each is done, [Spread] draws what hours and money may
// come to. Amounts are whole numbers throughout: minutes, cents, days. See docs/plan.md.
package plan
