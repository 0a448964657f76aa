package collect_test

import (
	"context"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"witnessmark/internal/archive"
	"witnessmark/internal/audit"
	"witnessmark/internal/collect"
	"witnessmark/internal/deliver"
	"witnessmark/internal/follow"
	"witnessmark/internal/labtest"
)

// parted takes streams of followers to another server.
type parted struct {
	grpc.ClientConnInterface
	follow *grpc.ClientConn
}

func (p parted) NewStream(ctx context.Context, d *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	if strings.Contains(method, "FollowService") {
		return p.follow.NewStream(ctx, d, method, opts...)
	}
	return p.ClientConnInterface.NewStream(ctx, d, method, opts...)
}

// TestATrailThatGrowsMeanwhileIsNoFork: what is kept while a follower connects is
// no reason for an alarm.
func TestATrailThatGrowsMeanwhileIsNoFork(t *testing.T) {
	a, err := archive.Open(filepath.Join(t.TempDir(), "archive.db"), archive.Options{
		Key: labtest.Key(labtest.Seeded(7)), Origin: "collector.dome.example/trail", Now: time.Now,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	grow := func() {
		if _, _, err := a.Restored("keeper", "the disk was lost", nil); err != nil {
			t.Error(err)
		}
	}
	c := collect.New(a, time.Now, labtest.Quiet())
	conn := parted{labtest.Connect(t, c.Server(deliver.DefaultLimits)), labtest.Connect(t, collect.Followed(c, grow))}
	start, err := follow.Ask(t.Context(), conn, "source")
	if err != nil {
		t.Fatal(err)
	}
	to, err := archive.OpenFollowing(filepath.Join(t.TempDir(), "archive.db"), start.Line.Present(), start.Empty, archive.Options{Now: time.Now}, start.Successions...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { to.Close() })
	seen, err := audit.Open(t.TempDir(), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	f := follow.Follower{Source: "127.0.0.1:7410", Copy: to, Auditor: seen, Limits: deliver.DefaultLimits, Once: true}
	for range 4 {
		grow()
		if err := f.Follow(t.Context(), conn); err != nil {
			t.Fatal(err)
		}
	}
}

// TestAKeyThatChangesAsACopyBegins: what a new copy begins with is of one key, though
// another came while it was gathered.
func TestAKeyThatChangesAsACopyBegins(t *testing.T) {
	c := labtest.NewCollector(t)
	change := sync.OnceFunc(func() {
		if _, _, err := c.Archive.Rekey(archive.Rekeying{Next: labtest.Key(labtest.Seeded(22)), By: "wren", Why: "its year is over"}); err != nil {
			t.Error(err)
		}
	})
	conn := labtest.Connect(t, collect.FollowedAsItRekeys(collect.New(c.Archive, time.Now, labtest.Quiet()), change))
	start, err := follow.Ask(t.Context(), conn, "source")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := start.Line.Present(), c.Archive.VerifierKey(); got != want {
		t.Errorf("it begins with %s, and the trail is signed with %s", got, want)
	}
	to, err := archive.OpenFollowing(filepath.Join(t.TempDir(), "archive.db"), start.Line.Present(), start.Empty, archive.Options{Now: time.Now}, start.Successions...)
	if err != nil {
		t.Fatal(err)
	}
	if err := to.Close(); err != nil {
		t.Error(err)
	}
}
