package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"witnessmark/internal/collect"
	"witnessmark/internal/enrol"
	"witnessmark/internal/record"
	"witnessmark/internal/screen"
	"witnessmark/internal/trust"
)

func tokenCommand(d *desk) *cobra.Command {
	var rig, analyst, keeper, witness, by, lost string
	var life time.Duration
	cmd := &cobra.Command{
		Use:   "token --rig NAME | --analyst NAME | --keeper NAME | --witness NAME [--lost WHY]",
		Short: "Make a token by which a rig or a person becomes a member",
		Long: `Make a token by which one rig or one person becomes a member of the collector,
once, within a short time. It is printed and kept nowhere; hand it on as you
would a password. A rig delivers and beats under its own name; an analyst reads;
a keeper also marks, retracts, backs up and makes tokens; a witness is a second
collector, which copies all and signs heads of the trail.

A member that has lost its key joins anew by a token that says so: --lost. Once it
is used the keys so far are revoked and the new one stands in their place, on your
word. The trail keeps that, signed with your key when you are logged in here as a
keeper, or else as the word of the folder's owner, which nothing shows but the entry.
Runs that the lost keys signed and that are kept stay proved; tokens that a keeper
made with them are void. Who still has the key changes it without a token: agent
rekey, collector login --rekey.

The first one is made where the collector runs, by whoever may read its folder.`,
		Example: "  collector token --rig heron\n  collector token --keeper wren --data /srv/dome/archive --for 10m\n  collector token --rig heron --lost \"the disk broke\"",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var m trust.Member
			for role, name := range map[trust.Role]string{trust.Rig: rig, trust.Analyst: analyst, trust.Keeper: keeper, trust.Witness: witness} {
				if name != "" {
					m = trust.Member{Role: role, Name: name}
				}
			}
			switch {
			case !trust.ValidName(m.Name):
				return screen.Misuse("use a short name without control characters", "token: the name %q will not do", m.Name)
			case life < time.Second || life > enrol.LongestToken:
				return screen.Misuse("an hour is enough for most", "--for %v: a token lasts from 1s to %v", life, enrol.LongestToken)
			}
			lost = strings.TrimSpace(lost)
			if cmd.Flags().Changed("lost") && !trust.ValidWhy(lost) {
				return screen.Misuse("say how it was lost, in a line", "--lost: it takes up to %d bytes without control characters", trust.MaxWhy)
			}
			return d.asMember(cmd.Context(), func(conn *collect.Connection) error {
				t, err := d.issue(cmd.Context(), conn, enrol.Wanted{Member: m, Life: life, By: whoDecides(by), Lost: lost})
				if err != nil {
					return err
				}
				return printToken(d, m, t)
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&rig, "rig", "", "for the rig `NAME`")
	f.StringVar(&analyst, "analyst", "", "for the analyst `NAME`")
	f.StringVar(&keeper, "keeper", "", "for the keeper `NAME`")
	f.StringVar(&witness, "witness", "", "for the collector `NAME` that follows this one")
	cmd.MarkFlagsOneRequired("rig", "analyst", "keeper", "witness")
	cmd.MarkFlagsMutuallyExclusive("rig", "analyst", "keeper", "witness")
	f.StringVar(&lost, "lost", "", "its keys so far are lost, `WHY`: they are revoked when the token is used")
	f.DurationVar(&life, "for", time.Hour, "how long it may wait to be used, as a `TIME`")
	byFlag(cmd, &by)
	d.dataFlag(cmd)
	d.jsonFlag(cmd)
	return cmd
}

func byFlag(cmd *cobra.Command, by *string) {
	cmd.Flags().StringVar(by, "by", "", "who decides it, as `NAME` (default: the user's name; of a keeper, the one in his certificate)")
}

func whoDecides(by string) string {
	if by == "" {
		return userName()
	}
	return by
}

// issue has a token made; one for another's lost keys is signed by the keeper as whom
// the user is logged in, and is the owner's word where he is none.
func (d *desk) issue(ctx context.Context, conn *collect.Connection, w enrol.Wanted) (enrol.Issued, error) {
	if w.Lost == "" {
		return enrol.IssueToken(ctx, conn, conn.Where, w)
	}
	roll, err := enrol.Members(ctx, conn, conn.Where)
	if err != nil {
		return enrol.Issued{}, err
	}
	dir, err := d.member()
	if err != nil {
		return enrol.Issued{}, err
	}
	who, err := collect.Who(dir)
	if err != nil {
		return enrol.Issued{}, err
	}
	if keeper, ok := roll.Keeper(who()); ok && keeper.Member != w.Member {
		t, loss, err := enrol.VouchLoss(ctx, conn, conn.Where, roll, keeper, w)
		if err == nil {
			screen.Warn(d.stderr, "collector", fmt.Sprintf("signed with keeper %s's key %s, for the trail %s: %s has lost %s: %s",
				loss.Keeper, record.Fingerprint(keeper.Key.Public().(ed25519.PublicKey)), loss.Trail, loss.Member, strings.Join(shortOf(loss.Keys), ", "), loss.Why))
		}
		return t, err
	}
	t, err := enrol.IssueToken(ctx, conn, conn.Where, w)
	if err == nil {
		screen.Warn(d.stderr, "collector", fmt.Sprintf("no other keeper is logged in here, so no key signs that the keys are lost: the collector's entry alone will say that it is the word of %s", screen.Clean(w.By)))
	}
	return t, err
}

func printToken(d *desk, m trust.Member, t enrol.Issued) error {
	if d.json {
		return screen.JSON(d.stdout, struct {
			Token   string     `json:"token"`
			Role    trust.Role `json:"role"`
			Name    string     `json:"name"`
			Expires time.Time  `json:"expires"`
		}{t.Token, m.Role, m.Name, t.Expires})
	}
	use := screen.Program("collector") + " login"
	if m.Role == trust.Rig {
		use = screen.Program("agent") + " enroll"
	}
	fmt.Fprintf(d.stderr, "for %s, once, until %s: %s --collector HOST:PORT --token TOKEN\n", screen.Clean(m.String()), t.Expires.Local().Format("2006-01-02 15:04:05"), use)
	_, err := fmt.Fprintln(d.stdout, t.Token)
	return err
}

func membersCommand(d *desk) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "members",
		Short: "List the members of the collector and their keys",
		Long: `List the members of the collector and their keys, oldest first: since when each is
good, on whose word, and which key came after it. All of that are entries of the trail.`,
		Example: "  collector members\n  collector members --collector dome.example:7410 --json",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return d.asMember(cmd.Context(), func(conn *collect.Connection) error {
				roll, err := enrol.Members(cmd.Context(), conn, conn.Where)
				if err != nil {
					return err
				}
				return printMembers(d, roll.Members, conn.Where)
			})
		},
	}
	d.dataFlag(cmd)
	d.jsonFlag(cmd)
	return cmd
}

type memberJSON struct {
	Name       string          `json:"name"`
	Role       trust.Role      `json:"role"`
	Keys       []memberKeyJSON `json:"keys"`
	TokenUntil *time.Time      `json:"token_until,omitempty"`
}

type memberKeyJSON struct {
	Fingerprint string         `json:"fingerprint"`
	Admitted    time.Time      `json:"admitted"`
	By          string         `json:"by"`
	Index       int64          `json:"index"`                 // of its entry in the trail
	Before      string         `json:"before,omitempty"`      // the key that signed for it
	Lost        string         `json:"lost,omitempty"`        // why those in whose place it is are lost
	LostKeys    []string       `json:"lost_keys,omitempty"`   // those
	LostSigner  string         `json:"lost_signer,omitempty"` // the keeper's key that signed it
	After       *keyAfter      `json:"after,omitempty"`
	Revoked     *keyRevocation `json:"revoked,omitempty"`
}

// keyAfter is the key that came after one, by its signature or in its place.
type keyAfter struct {
	Fingerprint string    `json:"fingerprint"`
	Admitted    time.Time `json:"admitted"`
}

type keyRevocation struct {
	At    time.Time `json:"at"`
	By    string    `json:"by"`
	Why   string    `json:"why"`
	Index int64     `json:"index"`
}

func printMembers(d *desk, all []enrol.Summary, where string) error {
	if d.json {
		list := screen.NewList(d.stdout, "members")
		for _, s := range all {
			list.Add(memberOf(s))
		}
		return list.End(nil)
	}
	if len(all) == 0 {
		d.nothing("members", where)
		return nil
	}
	t := screen.NewTable("NAME", "ROLE", "KEY", "SINCE", "BY", "STATE")
	for _, s := range all {
		for _, k := range s.Keys {
			t.Row(s.Name, string(s.Role), record.Fingerprint(k.Key), k.Admitted.Local().Format("2006-01-02 15:04"), word(k), stateOf(s, k))
		}
		if !s.TokenUntil.IsZero() {
			t.Row(s.Name, string(s.Role), "", "", "", "token until "+s.TokenUntil.Local().Format("2006-01-02 15:04"))
		}
	}
	return t.Write(d.stdout)
}

// word is on whose word a key was admitted.
func word(k enrol.Key) string {
	switch {
	case len(k.Before) > 0:
		return "its key before, " + record.Fingerprint(k.Before)
	case k.Lost != "":
		by := k.By
		if len(k.Signer) > 0 {
			by = "signed by keeper " + k.By + "'s key " + record.Fingerprint(k.Signer)
		}
		return by + ", in place of lost " + strings.Join(shortOf(k.LostKeys), ", ") + ": " + k.Lost
	}
	return k.By
}

// stateOf is what a key is good for, and which came after it.
func stateOf(s enrol.Summary, k enrol.Key) string {
	next, followed := after(s, k)
	switch {
	case k.Revoked != nil:
		state := "revoked " + k.Revoked.At.Local().Format("2006-01-02 15:04") + ": " + k.Revoked.Why
		if followed {
			state += "; after it " + record.Fingerprint(next.Key)
		}
		return state
	case followed && s.Role == trust.Rig:
		return "good for what it has signed; after it " + record.Fingerprint(next.Key)
	case followed:
		return "ended; after it " + record.Fingerprint(next.Key)
	}
	return "good"
}

// after finds the key that came after one.
func after(s enrol.Summary, k enrol.Key) (enrol.Key, bool) {
	i := slices.IndexFunc(s.Keys, func(n enrol.Key) bool {
		return bytes.Equal(n.Before, k.Key) || slices.ContainsFunc(n.LostKeys, func(l []byte) bool {
			sum := sha256.Sum256(k.Key)
			return bytes.Equal(l, sum[:])
		})
	})
	if i < 0 {
		return enrol.Key{}, false
	}
	return s.Keys[i], true
}

// shortOf spells hashes of keys as their fingerprints are.
func shortOf(sums [][]byte) (out []string) {
	for _, s := range sums {
		out = append(out, fmt.Sprintf("%x", s[:min(8, len(s))]))
	}
	return out
}

func memberOf(s enrol.Summary) memberJSON {
	m := memberJSON{Name: s.Name, Role: s.Role, Keys: []memberKeyJSON{}}
	if !s.TokenUntil.IsZero() {
		m.TokenUntil = &s.TokenUntil
	}
	for _, k := range s.Keys {
		j := memberKeyJSON{Fingerprint: record.Fingerprint(k.Key), Admitted: k.Admitted, By: k.By, Index: k.Index, Lost: k.Lost, LostKeys: shortOf(k.LostKeys)}
		if len(k.Before) > 0 {
			j.Before = record.Fingerprint(k.Before)
		}
		if len(k.Signer) > 0 {
			j.LostSigner = record.Fingerprint(k.Signer)
		}
		if next, ok := after(s, k); ok {
			j.After = &keyAfter{record.Fingerprint(next.Key), next.Admitted}
		}
		if r := k.Revoked; r != nil {
			j.Revoked = &keyRevocation{r.At, r.By, r.Why, r.Index}
		}
		m.Keys = append(m.Keys, j)
	}
	return m
}

func revokeCommand(d *desk) *cobra.Command {
	var by, why string
	cmd := &cobra.Command{
		Use:   "revoke NAME --why TEXT",
		Short: "End somebody's membership",
		Long: `End somebody's membership: the keys of that name are good for nothing from now
on, connections that are open are closed, and tokens that wait are void. What was
delivered stays and stays proved. The same name may join again, with a new key.`,
		Example: "  collector revoke heron --why \"the rig was sold\"",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := reason(cmd.Name(), why); err != nil {
				return err
			}
			return d.asMember(cmd.Context(), func(conn *collect.Connection) error {
				n, err := enrol.Revoke(cmd.Context(), conn, conn.Where, args[0], whoDecides(by), strings.TrimSpace(why))
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(d.stdout, "%s is a member no more: %s revoked\n", screen.Clean(args[0]), screen.Count(n, "key"))
				return err
			})
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "the reason, kept in the trail, as `TEXT`")
	byFlag(cmd, &by)
	d.dataFlag(cmd)
	return cmd
}

// asMember calls f with a connection, which has to lead to an archive.
func (d *desk) asMember(ctx context.Context, f func(*collect.Connection) error) error {
	conn, err := d.connect(ctx)
	if none, ok := err.(noArchive); ok {
		return screen.Misuse("start it with collector serve, or name it with --collector HOST:PORT or its folder with --data DIR", "there is no collector in %s", string(none))
	}
	if err != nil {
		return err
	}
	defer conn.Close()
	return f(conn)
}
