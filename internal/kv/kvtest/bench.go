package kvtest

import (
	"bytes"
	"testing"

	"perennial/internal/kv"
)

// benchSize is how many pairs a benchmark's store holds.
const benchSize = 20_000

// Bench measures the store that open gives: one put and commit, 500 puts in one
// commit, a get, and a scan of 1,000 pairs; values of 400 bytes.
func Bench(b *testing.B, open func(testing.TB) kv.DB) {
	value := bytes.Repeat([]byte("v"), 400)
	db := open(b)
	put := func(first, n uint64) {
		update(b, db, func(tx kv.Tx) error {
			for i := range n {
				// The factor spreads the keys, as identifiers would be.
				if err := tx.Put(kv.Key("bench", (first+i)*7919%benchSize), value); err != nil {
					return err
				}
			}
			return nil
		})
	}
	put(0, benchSize)
	b.Run("put 1 per commit", func(b *testing.B) {
		for i := uint64(0); b.Loop(); i++ {
			put(i, 1)
		}
	})
	b.Run("put 500 per commit", func(b *testing.B) {
		for i := uint64(0); b.Loop(); i += 500 {
			put(i, 500)
		}
	})
	b.Run("get", func(b *testing.B) {
		view(b, db, func(r kv.Reader) error {
			for i := uint64(0); b.Loop(); i++ {
				if v, err := r.Get(kv.Key("bench", i*7919%benchSize)); len(v) == 0 {
					b.Fatal("absent", err)
				}
			}
			return nil
		})
	})
	b.Run("scan 1000", func(b *testing.B) {
		view(b, db, func(r kv.Reader) error {
			for b.Loop() {
				from, to := kv.Key("bench", uint64(5000)), kv.Key("bench", uint64(6000))
				if got, err := collect(r, from, to); len(got) != 1000 {
					b.Fatal(len(got), err)
				}
			}
			return nil
		})
	})
}
