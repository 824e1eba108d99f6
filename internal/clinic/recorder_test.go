package clinic_test

import (
	"context"

	"perennial/internal/outbox"
)

// recorder keeps what it is given.
type recorder struct{ got []outbox.Item }

func (*recorder) Carries(kind string) bool { return kind == outbox.KindTask }

func (r *recorder) Carry(_ context.Context, it outbox.Item) (string, error) {
	r.got = append(r.got, it)
	return "taken", nil
}
