package survival

// Profiles say how implementations behave, by daemon and role.
type Profiles struct{}
