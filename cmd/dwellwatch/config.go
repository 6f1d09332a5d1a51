package main

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"time"
	_ "time/tzdata" // a bare machine has no zone files

	"github.com/alecthomas/kong"
	"go.yaml.in/yaml/v3"
)

// programSettings say which PostgreSQL runs a private cluster.
type programSettings struct {
	PGBin string `name:"pg-bin" help:"Folder of the PostgreSQL server programs (initdb, postgres) for the private cluster. Without it the usual places are searched." env:"DWELLWATCH_PG_BIN" placeholder:"DIR"`
}

// databaseSettings say which database is used.
type databaseSettings struct {
	programSettings `embed:""`
	DatabaseURL     string `help:"PostgreSQL URL. Without it a private cluster is run from the server programs found on this machine." env:"DWELLWATCH_DATABASE_URL" placeholder:"URL"`
	DataDir         string `help:"Folder of the private cluster. Default: /var/lib/dwellwatch/postgres as root, else ~/.local/share/dwellwatch/postgres." env:"DWELLWATCH_DATA_DIR" placeholder:"DIR"`
}

// basisSettings say what an assessment rests on.
type basisSettings struct {
	Zone      string   `help:"Time zone of the facility, which decides what day it is." default:"UTC" env:"DWELLWATCH_ZONE"`
	Catalogue string   `help:"Device catalogue: a Bundle of FHIR DeviceDefinition." env:"DWELLWATCH_CATALOGUE" placeholder:"FILE"`
	ValueSets []string `help:"Files or folders of FHIR ValueSet JSON that add to the shipped value sets." env:"DWELLWATCH_VALUE_SETS" placeholder:"PATH" sep:","`
}

// recordSettings say which record is read and written.
type recordSettings struct {
	RecordURL        string        `help:"FHIR R4 base of the hospital's record, to read context from and write drafts to." env:"DWELLWATCH_RECORD_URL" placeholder:"URL"`
	RecordToken      string        `help:"Bearer token for the record." env:"DWELLWATCH_RECORD_TOKEN" placeholder:"TOKEN"`
	RecordTimeout    time.Duration `help:"How long one request to the record may take." default:"30s" env:"DWELLWATCH_RECORD_TIMEOUT"`
	ClinicOwner      string        `help:"Reference that owns Tasks to the retrieval clinic, e.g. Organization/ir. Without it they carry a performer type, and a draft without owner is read by nobody." env:"DWELLWATCH_CLINIC_OWNER" placeholder:"TYPE/ID"`
	CoordinatorOwner string        `help:"Reference that owns Tasks to the coordinator." env:"DWELLWATCH_COORDINATOR_OWNER" placeholder:"TYPE/ID"`
	Custodian        string        `help:"Reference of the organisation that keeps the documents." env:"DWELLWATCH_CUSTODIAN" placeholder:"TYPE/ID"`
}

// listenSettings say who may call and how.
type listenSettings struct {
	Listen    string  `help:"Address to listen on. Beyond loopback a token is required." default:"127.0.0.1:8080" env:"DWELLWATCH_LISTEN"`
	Token     string  `help:"Bearer token that callers must show." env:"DWELLWATCH_TOKEN" placeholder:"TOKEN"`
	PublicURL string  `help:"How callers reach this service, for Location headers." env:"DWELLWATCH_PUBLIC_URL" placeholder:"URL"`
	Feeds     feedMap `help:"Further feeds by name with the FHIR base of their sender: lab=https://lab.example.org/fhir;pacs=…" env:"DWELLWATCH_FEEDS" placeholder:"NAME=URL;…"`
	BodyLimit int64   `help:"Largest body in bytes, after unpacking." default:"10485760" env:"DWELLWATCH_BODY_LIMIT"`
	Workers   int     `help:"Jobs of this process that run at once." default:"8" env:"DWELLWATCH_WORKERS"`
	// RescueAfter also bounds a job: it may take three quarters of it, and no more than 3 minutes.
	RescueAfter time.Duration `help:"How long a job waits that was running when its process was killed, before another takes it up." default:"4m" env:"DWELLWATCH_RESCUE_AFTER"`
}

type logSettings struct {
	LogLevel slog.Level `help:"debug, info, warn or error." default:"info" env:"DWELLWATCH_LOG_LEVEL"`
}

// configFile is a YAML file whose keys are the long option names, with hyphens or underscores. An option on the command
// line or in the environment wins over it; an unknown key is refused.
type configFile string

// BeforeResolve reads the file before the options are settled.
func (f configFile) BeforeResolve(k *kong.Kong, ctx *kong.Context, trace *kong.Path) error {
	path := string(ctx.FlagValue(trace.Flag).(configFile))
	if path == "" {
		return nil
	}
	body, err := os.ReadFile(kong.ExpandPath(path))
	if err != nil {
		return fmt.Errorf("%s: %w", setting("config"), err)
	}
	var values map[string]any
	if err := yaml.Unmarshal(body, &values); err != nil {
		// A fault of types quotes what it found, which may be a secret.
		if typed := (*yaml.TypeError)(nil); errors.As(err, &typed) && !strings.Contains(err.Error(), "already defined") {
			err = errors.New("write one setting to a line, as in zone: Europe/Vienna")
		}
		return fmt.Errorf("%s: %s: %w", setting("config"), path, err)
	}
	settings := map[string]any{}
	for key, v := range values {
		name := strings.ReplaceAll(key, "_", "-")
		if !knownFlag(k.Model.Node, name) {
			return fmt.Errorf("%s: %s: %s is not a setting", setting("config"), path, key)
		}
		if _, twice := settings[name]; twice {
			return fmt.Errorf("%s: %s: %s stands twice", setting("config"), path, name)
		}
		if v != nil { // a key without a value leaves the default
			settings[name] = flat(name, v)
		}
	}
	ctx.AddResolver(kong.ResolverFunc(func(_ *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
		for _, env := range flag.Envs {
			if os.Getenv(env) != "" {
				return nil, nil
			}
		}
		return settings[flag.Name], nil
	}))
	return nil
}

func knownFlag(n *kong.Node, name string) bool {
	if slices.ContainsFunc(n.Flags, func(f *kong.Flag) bool { return f.Name == name && name != "config" && name != "help" }) {
		return true
	}
	return slices.ContainsFunc(n.Children, func(c *kong.Node) bool { return knownFlag(c, name) })
}

// flat writes a YAML list or mapping the way the command line takes it. Feeds are parted by semicolons, because a URL may
// hold a comma.
func flat(name string, v any) any {
	switch v := v.(type) {
	case []any:
		var parts []string
		for _, e := range v {
			parts = append(parts, fmt.Sprint(flat(name, e)))
		}
		if name == "feeds" {
			return strings.Join(parts, ";")
		}
		return strings.Join(parts, ",")
	case map[string]any:
		var parts []string
		for k, e := range v {
			parts = append(parts, fmt.Sprintf("%s=%v", k, e))
		}
		slices.Sort(parts)
		return strings.Join(parts, ";")
	}
	return fmt.Sprint(v)
}
