package timing_test

import (
	"fmt"
	"math/rand/v2"
	"time"

	"towpath/internal/timing"
)

func minutes(least, likely, most time.Duration) timing.Law {
	return timing.Law{Least: least * time.Minute, Likely: likely * time.Minute, Most: most * time.Minute}
}

func Example() {
	steps := []timing.Step{
		{ID: "staging", Law: minutes(10, 15, 32)},
		{ID: "switchover", Law: minutes(1, 2, 4), PointOfNoReturn: true, Rollback: minutes(10, 15, 25)},
	}
	steps = append(steps, timing.Rolling("line card", 4, minutes(2, 3, 6).Learn(4*time.Minute, 3*time.Minute), minutes(1, 2, 4))...)

	o, err := timing.Simulate(steps, time.Hour, 20_000, rand.New(rand.NewPCG(1, 2)))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("mean %.0f min, by the sum %.0f min\n", o.Mean.Minutes(), timing.Analytic(steps).Mean.Minutes())
	fmt.Printf("done inside: %t, done and rolled back inside: %t\n", o.Done > 0.99, o.DoneAndBack > 0.5)
	fmt.Printf("decide on the %s after at most %.0f min\n", o.Steps[1].ID, o.Steps[1].LatestStartBack.Minutes())
	fmt.Printf("after it, roll back after at most %.0f min\n", o.Steps[1].RollbackClock.Minutes())
	fmt.Println("most depends on:", o.Tornado[0].ID)
	// Output:
	// mean 33 min, by the sum 33 min
	// done inside: true, done and rolled back inside: true
	// decide on the switchover after at most 15 min
	// after it, roll back after at most 40 min
	// most depends on: staging
}
