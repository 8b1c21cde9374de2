package timing

import (
	"fmt"
	"math"
	"time"
)

// Year is the mean year of the Julian calendar, 365.25 days, by which budgets of
// downtime are counted. Source: IAU Style Manual 1989, §5.15.
const Year = 8766 * time.Hour

// Availability returns the share of time that something is up which fails once in
// between, the mean operating time between failures, and takes repair on the
// average to restore: between/(between + repair). It is an error when between is
// not above zero or repair is below it.
// Source: IEC 60050-192:2015, 192-08-07, from memory.
func Availability(between, repair time.Duration) (float64, error) {
	if between <= 0 || repair < 0 {
		return 0, fmt.Errorf("timing: %v between failures and %v to repair; want more than 0, and 0 or more", between, repair)
	}
	return float64(between) / (float64(between) + float64(repair)), nil
}

// Downtime returns how long of the span something with this availability, 0 to 1,
// is down on the average, as five nines of a [Year] are 5.26 minutes.
func Downtime(availability float64, span time.Duration) time.Duration {
	return time.Duration(math.Round((1 - availability) * float64(span)))
}

// Short returns the probability that fewer than k of n things are up which are up
// independently, each with the probability a: the unavailability of k of n. It is
// summed from the small side, so that a small result keeps its digits. k of 0 or
// less is never missed; k above n always.
// Source: the binomial law, NIST Digital Library of Mathematical Functions 26.3.
func Short(k, n int, a float64) float64 {
	if k <= 0 {
		return 0
	}
	if k > n {
		return 1
	}
	if a <= 0 {
		return 1
	}
	// Term by term, from none up: C(n, i) a^i (1-a)^(n-i).
	sum := 0.0
	for i := range k {
		c := 1.0
		for j := range i {
			c *= float64(n-j) / float64(j+1)
		}
		sum += c * math.Pow(a, float64(i)) * math.Pow(1-a, float64(n-i))
	}
	return min(sum, 1)
}
