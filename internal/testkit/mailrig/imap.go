package mailrig

import (
	"fmt"
	"io"
	"net"
	"net/textproto"
	"os"
	"strconv"
	"strings"
	"time"
)

// dovecotAnswers is nil when Dovecot can be spoken to in all three ways.
func (r *Rig) dovecotAnswers() error {
	for _, name := range []string{"for-login", "for-letters"} {
		if _, err := os.Stat(r.path("run", name)); err != nil {
			return err
		}
	}
	return greets(r.imap, "* OK")
}

// greets is nil when a server at this port begins with these words.
func greets(port int, words string) error {
	conn, err := dial(port)
	if err != nil {
		return err
	}
	defer conn.Close()
	line, err := conn.ReadLine()
	if err != nil {
		return err
	}
	if !strings.HasPrefix(line, words) {
		return fmt.Errorf("the server says %q", line)
	}
	return nil
}

func dial(port int) (*textproto.Conn, error) {
	conn, err := net.DialTimeout("tcp", fmt.Sprintf("127.0.0.1:%d", port), patience)
	if err != nil {
		return nil, err
	}
	if err := conn.SetDeadline(time.Now().Add(patience)); err != nil {
		return nil, err
	}
	return textproto.NewConn(conn), nil
}

// fetch reads every message of a mailbox by IMAP (RFC 3501) and changes nothing
// of it.
func (r *Rig) fetch(address string) ([]string, error) {
	conn, err := dial(r.imap)
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	if _, err := conn.ReadLine(); err != nil { // the greeting
		return nil, err
	}
	if _, err := command(conn, fmt.Sprintf("LOGIN %q %q", address, r.Password)); err != nil {
		return nil, err
	}
	if _, err := command(conn, "EXAMINE INBOX"); err != nil {
		return nil, err
	}
	return command(conn, "UID FETCH 1:* (BODY.PEEK[])")
}

// command says one thing and gives the literals of what is answered.
func command(conn *textproto.Conn, words string) ([]string, error) {
	if err := conn.PrintfLine("a %s", words); err != nil {
		return nil, err
	}
	var literals []string
	for {
		line, err := conn.ReadLine()
		if err != nil {
			return nil, err
		}
		if strings.HasPrefix(line, "a ") {
			if !strings.HasPrefix(line, "a OK") {
				return nil, fmt.Errorf("the server says %q", line)
			}
			return literals, nil
		}
		size, ok := literal(line)
		if !ok {
			continue
		}
		text := make([]byte, size)
		if _, err := io.ReadFull(conn.R, text); err != nil {
			return nil, err
		}
		literals = append(literals, string(text))
	}
}

// literal is the size of the text that follows a line which ends with "{size}".
func literal(line string) (int, bool) {
	rest, ok := strings.CutSuffix(line, "}")
	if !ok {
		return 0, false
	}
	n, err := strconv.Atoi(rest[strings.LastIndexByte(rest, '{')+1:])
	return n, err == nil
}
