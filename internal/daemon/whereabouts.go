package daemon

import (
	"fmt"
	"path/filepath"
	"runtime"
	"strings"
)

// whereabouts are where a fault of the program happened: file and line of our own code,
// the innermost first. It holds nothing of what was worked on.
func whereabouts() string {
	callers := make([]uintptr, 32)
	frames := runtime.CallersFrames(callers[:runtime.Callers(3, callers)])
	var list []string
	for {
		f, more := frames.Next()
		if strings.HasPrefix(f.Function, "perennial/") && len(list) < 4 {
			list = append(list, fmt.Sprintf("%s:%d", filepath.Base(f.File), f.Line))
		}
		if !more {
			return strings.Join(list, " ")
		}
	}
}
