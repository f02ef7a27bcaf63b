package virtual

import "testing"

func BenchmarkSimulate(b *testing.B) {
	truth := Draw(four(), 1, DefaultDisturbances())
	for b.Loop() {
		if err := Simulate(truth, DefaultPlan(), func(Row) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}
