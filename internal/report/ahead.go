package report

import (
	"fmt"
	"strconv"

	"laidup/internal/calendar"
)

// DaysAhead is how many days a date may be ahead of the clock of who reads it: somewhere it is that day
// already. Beyond that it is mistyped, and would outweigh for good whatever is found until it comes.
const DaysAhead = 1

// notCome says what is wrong with a date that is ahead, and how to mend it.
func notCome(date fmt.Stringer, today calendar.Day) string {
	return fmt.Sprintf("%s is in the future (today is %s): correct the date, and check the year first", date, today)
}

// ahead reports whether a day is ahead of the clock; without a clock none is.
func ahead(day, today calendar.Day) bool { return today != 0 && day > today+DaysAhead }

// notYet makes a date that is ahead a fault of where it stands.
func (d *decoder) notYet(date calendar.Date) {
	if ahead(date.Earliest(), d.today) {
		d.fault(OutOfRange, "%s", notCome(date, d.today))
	}
}

// Ahead says which dates of a valid report have not come yet by a clock that shows today: for who reads
// it all the same. What else bears a date is no later than the inspection, or there is no valid report.
func (r *Report) Ahead(today calendar.Day) []Caution {
	var list []Caution
	if ahead(r.Inspected, today) {
		list = append(list, Caution{"/inspection/date", notCome(r.Inspected, today)})
	}
	for i, o := range r.Observations {
		if o.On != r.Inspected && ahead(o.On, today) {
			list = append(list, Caution{"/observations/" + strconv.Itoa(i) + "/date", notCome(o.On, today)})
		}
	}
	return list
}
