package doorway

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"

	"perennial/internal/fault"
)

// Run hands a command line to the daemon that holds the store and gives its exit
// status. fault.NotFound where no daemon answers at the door (another program
// holds the store); fault.Unavailable where the daemon ended before the command.
func Run(ctx context.Context, store string, call Call) (int, error) {
	dial := net.Dialer{}
	conn, err := dial.DialContext(ctx, "unix", PathOf(store))
	if err != nil {
		return 0, fault.New(fault.NotFound, "ask the daemon", "", err)
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(context.Context, string, string) (net.Conn, error) { return conn, nil }}}
	line, err := json.Marshal(call)
	if err != nil {
		return 0, fault.Wrap("ask the daemon", err)
	}
	body := io.Reader(bytes.NewReader(append(line, '\n')))
	if call.Stdin != nil {
		body = io.MultiReader(body, call.Stdin)
	}
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://daemon/", body)
	if err != nil {
		return 0, fault.Wrap("ask the daemon", err)
	}
	r, err := client.Do(q)
	if err != nil {
		return 0, gone(err)
	}
	defer r.Body.Close()
	if r.StatusCode != http.StatusOK {
		return 0, gone(errors.New(r.Status))
	}
	return follow(r.Body, call)
}

// follow prints what the daemon sends.
func follow(answer io.Reader, call Call) (int, error) {
	in := json.NewDecoder(answer)
	for {
		var f frame
		if err := in.Decode(&f); err != nil {
			return 0, gone(err)
		}
		_, err1 := call.Stdout.Write(f.Out)
		_, err2 := call.Stderr.Write(f.Err)
		if err := errors.Join(err1, err2); err != nil {
			return 0, fault.Wrap("print", err)
		}
		if f.Exit != nil {
			return *f.Exit, nil
		}
	}
}

func gone(err error) error {
	return fault.New(fault.Unavailable, "run the command in the daemon", "The daemon ended before the command did. Start it again, look whether the command was carried out, and repeat it if not.", err)
}
