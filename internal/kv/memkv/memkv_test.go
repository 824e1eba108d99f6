package memkv_test

import (
	"testing"

	"perennial/internal/kv"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
)

func open(testing.TB) kv.DB { return memkv.New() }

func TestContract(t *testing.T) {
	t.Parallel()
	kvtest.Run(t, open)
}

func BenchmarkStore(b *testing.B) { kvtest.Bench(b, open) }
