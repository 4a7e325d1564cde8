package wire

// AgentHealth is what is known of one agent. OffsetUs is bus time minus the agent's
// clock now, by the line fitted to its clock exchanges; DriftPpm how many parts in a
// million that clock is fast; both with standard uncertainties, and null before the
// first exchange but for UOffsetUs, which is then that of timing by arrival. DelayUs is the round trip of the last exchange. Epochs counts
// how often the clock was found set since the agent started.
type AgentHealth struct {
	Agent      string   `json:"agent"`
	Boot       string   `json:"boot"`
	Version    string   `json:"version,omitempty"`
	LastUs     int64    `json:"last_us"`
	Events     uint64   `json:"events"`
	Duplicates uint64   `json:"duplicates"`
	StoredSeq  uint64   `json:"stored_seq"`
	Missing    uint64   `json:"missing"`
	OffsetUs   *int64   `json:"offset_us"`
	UOffsetUs  *float64 `json:"u_offset_us"`
	DriftPpm   *float64 `json:"drift_ppm"`
	UDriftPpm  *float64 `json:"u_drift_ppm"`
	DelayUs    *int64   `json:"delay_us"`
	LastSyncUs int64    `json:"last_sync_us,omitempty"`
	Clock      string   `json:"clock"` // synced, by arrival, unknown
	Epochs     int      `json:"epochs"`
	BatteryMv  *int64   `json:"battery_mv,omitempty"`
	RssiDbm    *int64   `json:"rssi_dbm,omitempty"`
	Gates      []string `json:"gates,omitempty"`
	Motors     []string `json:"motors,omitempty"`

	ClockPoints []ClockPoint `json:"clock_points,omitempty"` // oldest first, at most 60
}

// How an agent's instants come to bus time: by clock exchanges, by when its
// events arrive, or nothing of it has been heard.
const (
	ClockSynced    = "synced"
	ClockByArrival = "by arrival"
	ClockUnknown   = "unknown"
)

// ClockPoint is one clock exchange: when by the bus clock, the offset it read, its
// round trip, and whether the fitted line rests on it.
type ClockPoint struct {
	AtUs     int64 `json:"at_us"`
	OffsetUs int64 `json:"offset_us"`
	DelayUs  int64 `json:"delay_us"`
	Used     bool  `json:"used"`
}

// Reject is one message refused: when, on what subject, why, and its first
// bytes. The same object is a line of the reject log.
type Reject struct {
	AtUs    int64  `json:"at_us"`
	Subject string `json:"subject"`
	Agent   string `json:"agent,omitempty"`
	Reason  string `json:"reason"`
	First   string `json:"first"` // first 200 bytes
	Bytes   int    `json:"bytes"`
}

// Health is what the health page shows.
type Health struct {
	Site         string        `json:"site"`
	NowUs        int64         `json:"now_us"`
	StartedUs    int64         `json:"started_us"`
	JournalSeq   uint64        `json:"journal_seq"`
	ScoredSeq    uint64        `json:"scored_seq"`
	Accepted     uint64        `json:"accepted"`
	Duplicates   uint64        `json:"duplicates"`
	Rejected     uint64        `json:"rejected"`
	Denied       uint64        `json:"denied"`
	Overloaded   uint64        `json:"overloaded"`
	Agents       []AgentHealth `json:"agents"`
	Rejects      []Reject      `json:"rejects"` // newest first, at most 50
	UnknownGates []string      `json:"unknown_gates"`
	Doubts       []string      `json:"doubts"`
	Viewers      int64         `json:"viewers"`
}

// Credential is what an agent signs in to the bus with. The password is shown
// once; only its hash is kept.
type Credential struct {
	Agent    string   `json:"agent"`
	Password string   `json:"password,omitempty"`
	Gates    []string `json:"gates"`
	Motors   []string `json:"motors"`
	Cells    []string `json:"cells"`
}
