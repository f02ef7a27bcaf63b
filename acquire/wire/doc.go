// Package wire turns the bytes instruments send into values. It is pure: no
// ports, no clock.
package wire
