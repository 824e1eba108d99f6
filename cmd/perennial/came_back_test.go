package main

import (
	"context"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"perennial/internal/kv"
	"perennial/internal/kv/boltkv"
	"perennial/internal/outbox"
	"perennial/internal/store"
)

// taker takes every Task.
type taker struct{}

func (taker) Carries(kind string) bool { return kind == outbox.KindTask }

func (taker) Carry(context.Context, outbox.Item) (string, error) { return "Task/7 created", nil }

// Tasks are missed only on the server to which they go now.
func TestTasksOfAnEarlierServerAreNotMissed(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "perennial.db")
	if err := boltkv.Create(path); err != nil {
		t.Fatal(err)
	}
	db, err := boltkv.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	now := time.Date(2026, 6, 30, 9, 0, 0, 0, time.UTC)
	err = db.Update(t.Context(), func(tx kv.Tx) error {
		if err := store.Init(tx, now); err != nil {
			return err
		}
		_, err := outbox.Add(tx, outbox.Item{Key: "k/1", Thread: "k", Kind: outbox.KindTask, Body: json.RawMessage("{}"), Added: now})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	sent, err := outbox.Drain(t.Context(), outbox.Options{DB: db, Mode: outbox.Send, Live: true, Now: func() time.Time { return now }, Routes: []outbox.Route{{Name: "server http://old", Carrier: taker{}}}})
	if err != nil || sent.Sent != 1 {
		t.Fatal(sent, err)
	}
	if !noneCameBack(db, "server http://old") || noneCameBack(db, "server http://new") {
		t.Errorf("on the old server %v, on the new one %v", noneCameBack(db, "server http://old"), noneCameBack(db, "server http://new"))
	}
}
