package survival

// Law is the distribution of a silence: a mixture of triangles.
type Law []Part

// Part is one triangle of a [Law]. The weights of a law add up to one.
type Part struct {
	Weight  float64 `json:"weight"`
	Silence Silence `json:"silence"`
}
