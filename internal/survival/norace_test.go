//go:build !race

package survival

const raceEnabled = false
