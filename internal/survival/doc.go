// Package survival answers one question: when a device's control plane says
// nothing for a while, which of its adjacencies live through it, which do not,
// and what traffic does that cost?
//
// Read [Predict] first: it turns a capture and a silence into a [Forecast].
// [PredictLaw] does the same for a learnt law of the silence, [Advise] finds
// the cheapest changes that bring a forecast to a target, [Trials] is the
// batch form over a table, [Explain] tells where a number came from.
//
// The package is pure. It knows no clock and no chance; every probability is
// an integral.
package survival
