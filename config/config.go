// Package config is the data shipped inside the binary: protocols, profiles of
// windows, conflicts between sources, code lists and sample settings. It holds no
// logic.
package config

import "embed"

// Files holds the folders codes, conflicts, protocols, settings and windows.
//
//go:embed codes/*.yaml conflicts/*.yaml protocols/*.yaml settings/*.yaml windows/*.yaml
var Files embed.FS
