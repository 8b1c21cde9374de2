// Package layout holds no code of the product: its test reads the import graph
// of the module and fails on an arrow that points the wrong way.
package layout
