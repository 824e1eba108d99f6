package boltkv

import (
	"crypto/rand"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"

	"go.etcd.io/bbolt"

	"perennial/internal/fault"
)

// format is the version of the layout this program writes and the newest it reads.
const format = 1

// checksumSize is the length in bytes of the checksum after each value.
const checksumSize = 4

func metaBucket() []byte  { return []byte("perennial") }
func dataBucket() []byte  { return []byte("data") }
func identityKey() []byte { return []byte("identity") }
func sealKey() []byte     { return []byte("seal") }

// identity says which store a file is.
type identity struct {
	Store  string `json:"store"`  // random, made once
	Format int    `json:"format"` // version of the layout
}

// newIdentity makes the identity of a new store.
func newIdentity() identity { return identity{Store: rand.Text(), Format: format} }

// seal says what the pairs must be: how many commits made them, how many there are
// and the sum of their checksums.
type seal struct{ epoch, count, sum uint64 }

// Contents is what a store holds, as its seal says and CheckFile has found true.
type Contents struct {
	Store string // id of the store
	Epoch uint64 // commits since its making
	Count uint64 // pairs
}

// checksumOf is the CRC-32C of a pair, begun with the length of its key.
func checksumOf(key, value []byte) uint32 {
	table := crc32.MakeTable(crc32.Castagnoli)
	return crc32.Update(crc32.Update(uint32(len(key)), table, key), table, value)
}

// wrapValue gives the bytes stored for a value: a copy of it and the checksum.
func wrapValue(key, value []byte) []byte {
	stored := make([]byte, 0, len(value)+checksumSize)
	stored = append(stored, value...)
	return binary.LittleEndian.AppendUint32(stored, checksumOf(key, value))
}

// checksum is the checksum at the end of what is stored.
func checksum(stored []byte) uint64 {
	return uint64(binary.LittleEndian.Uint32(stored[len(stored)-checksumSize:]))
}

// unwrapValue gives the value within what is stored, after comparing its checksum.
func unwrapValue(key, stored []byte) ([]byte, error) {
	if len(stored) < checksumSize {
		return nil, damaged("read a record", errors.New("a record is too short"))
	}
	value := stored[: len(stored)-checksumSize : len(stored)-checksumSize]
	if uint64(checksumOf(key, value)) != checksum(stored) {
		return nil, damaged("read a record", errors.New("a record does not match its checksum"))
	}
	return value, nil
}

// writeSeal stores the seal, with a checksum of its own.
func writeSeal(btx *bbolt.Tx, s seal) error {
	b := binary.LittleEndian.AppendUint64(make([]byte, 0, 28), s.epoch)
	b = binary.LittleEndian.AppendUint64(b, s.count)
	b = binary.LittleEndian.AppendUint64(b, s.sum)
	return btx.Bucket(metaBucket()).Put(sealKey(), wrapValue(sealKey(), b))
}

// readSeal reads the seal of the last commit.
func readSeal(btx *bbolt.Tx) (s seal, err error) {
	const op = "read the seal of the store"
	err = guarded(op, func() error {
		meta := btx.Bucket(metaBucket())
		if meta == nil || btx.Bucket(dataBucket()) == nil {
			return damaged(op, errors.New("a bucket is missing"))
		}
		b, err := unwrapValue(sealKey(), meta.Get(sealKey()))
		if err != nil || len(b) != 24 {
			return damaged(op, errors.New("it is missing or does not match its checksum"))
		}
		s.epoch = binary.LittleEndian.Uint64(b)
		s.count = binary.LittleEndian.Uint64(b[8:])
		s.sum = binary.LittleEndian.Uint64(b[16:])
		return nil
	})
	return s, err
}

// writeIdentity makes the buckets of a new store and its first seal.
func writeIdentity(btx *bbolt.Tx, id identity) error {
	meta, err := btx.CreateBucket(metaBucket())
	if err != nil {
		return err
	}
	text, err := json.Marshal(id)
	if err != nil {
		return err
	}
	if err := meta.Put(identityKey(), wrapValue(identityKey(), text)); err != nil {
		return err
	}
	if _, err := btx.CreateBucket(dataBucket()); err != nil {
		return err
	}
	return writeSeal(btx, seal{epoch: 1})
}

// readIdentity reads which store this is: Foreign if it is none of ours, Conflict if
// it was written by a newer version of the program.
func readIdentity(btx *bbolt.Tx) (id identity, err error) {
	const op = "read the identity of the store"
	err = guarded(op, func() error {
		meta := btx.Bucket(metaBucket())
		if meta == nil {
			return fault.New(fault.Foreign, op, hintForeign, errors.New("the file belongs to another program"))
		}
		text, err := unwrapValue(identityKey(), meta.Get(identityKey()))
		if err != nil || json.Unmarshal(text, &id) != nil || id.Store == "" || id.Format < 1 {
			return damaged(op, errors.New("it is missing or cannot be read"))
		}
		if id.Format > format {
			return fault.New(fault.Conflict, op, hintNewer,
				fmt.Errorf("it has format %d, this program knows up to %d", id.Format, format))
		}
		return nil
	})
	return id, err
}
