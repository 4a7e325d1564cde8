// Made from pkg/wire by TestWireTypes; do not edit.

export interface View {
  type: string;
  site: string;
  build: string;
  rev: number;
  now_us: number;
  rules: Rules;
  session: Session | null;
  sessions: Session[] | null;
  circuits: CircuitView[] | null;
  locomotives: Locomotive[] | null;
  consists: Consist[] | null;
  trials: Trial[] | null;
  results: TrialResult[] | null;
  passages: PassageVerdict[] | null;
  motors: MotorVerdict[] | null;
  order?: Order;
  doubts: string[] | null;
}

export interface Frame {
  type: string;
  rev: number;
  now_us: number;
  setup?: boolean;
  results?: TrialResult[];
  passages?: PassagesOf[];
  motors?: MotorVerdict[];
  order?: Order;
}

export interface Results {
  rules: Rules;
  site?: string;
  session?: Session;
  lap_length_mm: Estimate;
  trials: TrialResult[] | null;
  unassigned_passages: number;
  order?: Order;
  doubts: string[] | null;
}

export interface Health {
  site: string;
  now_us: number;
  started_us: number;
  journal_seq: number;
  scored_seq: number;
  accepted: number;
  duplicates: number;
  rejected: number;
  denied: number;
  overloaded: number;
  agents: AgentHealth[] | null;
  rejects: Reject[] | null;
  unknown_gates: string[] | null;
  doubts: string[] | null;
  viewers: number;
}

export interface Credential {
  agent: string;
  password?: string;
  gates: string[] | null;
  motors: string[] | null;
  cells: string[] | null;
}

export interface Reply {
  ok: boolean;
  seq?: number;
  duplicate?: boolean;
  reason?: string;
}

export interface CircuitValue {
  circuit: Circuit;
  gates: Gate[] | null;
}

export interface LapValue {
  trial: string;
  lap: number;
  void: boolean;
}

export interface NoteValue {
  trial?: string;
  text: string;
}

export interface OrderValue {
  trials: string[] | null;
}

export interface ClockTold {
  t1_us: number;
  t2_us: number;
  t3_us: number;
}

export interface Rules {
  version: string;
  disorder_window_us: number;
  bounce_gap_us: number;
  max_speed_mm_s: number;
  snapshot_every: number;
  lag_gates: number;
}

export interface Session {
  id: string;
  name: string;
  circuit: string;
  opened_us?: number;
  closed_us?: number;
}

export interface CircuitView {
  circuit: Circuit;
  gates: Gate[] | null;
  length_mm: number;
  pieces_mm: number;
  gap_mm: number;
  heading_deg: number;
  plan: PlanPoint[] | null;
}

export interface Locomotive {
  id: string;
  name: string;
  owner?: string;
  mass_g?: number;
  length_mm?: number;
  driver_sets?: DriverSet[];
}

export interface Consist {
  id: string;
  name: string;
  cars?: Car[];
}

export interface Trial {
  id: string;
  locomotive: string;
  consist?: string;
  from_us?: number;
  to_us?: number;
  warmup_laps?: number;
  direction?: string;
  tag?: string;
  entrant?: string;
  start_mm?: number;
  conditions?: Record<string, unknown>;
}

export interface TrialResult {
  trial: string;
  train: string;
  consist?: string;
  state: string;
  passages: number;
  laps: Lap[] | null;
  lap_count: number;
  speed_mm_s: Estimate;
  scale_km_h?: number;
  consistency: Consistency;
  sets: SetResult[] | null;
  desync: Desync[] | null;
  regulated: Regulated;
  incidents: Incident[] | null;
  dropped: Dropped;
  doubts: string[] | null;
}

export interface PassageVerdict {
  trial: string;
  gate: string;
  at_us: number;
  u_us: number;
  position_mm: number;
  lap: number;
  source: string;
  final: boolean;
  reverse?: boolean;
  trap_mm_s?: number;
  u_trap_mm_s?: number;
}

export interface MotorVerdict {
  motor: string;
  locomotive?: string;
  set?: string;
  at_us: number;
  wheel_speed_mm_s: number | null;
  duty_permille?: number;
  current_ma?: number;
  voltage_mv?: number;
}

export interface Order {
  state: string;
  trials: string[] | null;
  offer?: string[];
  text: string;
}

export interface PassagesOf {
  trial: string;
  from_us: number;
  passages: PassageVerdict[] | null;
}

export interface Estimate {
  value: number | null;
  lo: number | null;
  hi: number | null;
  u?: number;
}

export interface AgentHealth {
  agent: string;
  boot: string;
  version?: string;
  last_us: number;
  events: number;
  duplicates: number;
  stored_seq: number;
  missing: number;
  offset_us: number | null;
  u_offset_us: number | null;
  drift_ppm: number | null;
  u_drift_ppm: number | null;
  delay_us: number | null;
  last_sync_us?: number;
  clock: string;
  epochs: number;
  battery_mv?: number;
  rssi_dbm?: number;
  gates?: string[];
  motors?: string[];
  clock_points?: ClockPoint[];
}

export interface Reject {
  at_us: number;
  subject: string;
  agent?: string;
  reason: string;
  first: string;
  bytes: number;
}

export interface Circuit {
  id: string;
  name: string;
  pieces?: Piece[];
  lap_length_mm?: number;
  lap_length_u_mm?: number;
  scale_ratio?: number;
}

export interface Gate {
  id: string;
  position_mm: number;
  timing?: boolean;
  pair_mm?: number;
}

export interface PlanPoint {
  s: number;
  x: number;
  y: number;
}

export interface DriverSet {
  id: string;
  motor: string;
  wheel_diameter_mm: number;
  gear_ratio: number;
  counts_per_motor_rev: number;
  weight_g?: number;
  tyres?: boolean;
}

export interface Car {
  name?: string;
  mass_g?: number;
  length_mm?: number;
  axles?: number;
  bearings?: string;
}

export interface Lap {
  lap: number;
  start_us: number;
  lap_time_s: number;
  u_s: number;
  speed_mm_s: number;
  u_speed_mm_s: number;
  scale_km_h?: number;
  source: string;
  counts: string;
  final: boolean;
  sectors: Sector[] | null;
  evenness_cv: number | null;
  wheel_cv: number | null;
  why?: string;
}

export interface Consistency {
  n: number;
  mean_s: number | null;
  mean_u_s: number | null;
  mean_lo_s: number | null;
  mean_hi_s: number | null;
  sd_s: number | null;
  cv: number | null;
  median_s: number | null;
  mad_s: number | null;
  range_s: number | null;
  best_s: number | null;
  best_lap?: number;
  lag1: number | null;
  n_effective: number | null;
  trend_s_per_lap: Estimate;
}

export interface SetResult {
  set: string;
  motor: string;
  wheel_speed_mm_s: Estimate;
  slip: Estimate;
  by: unknown[] | null;
}

export interface Desync {
  a: string;
  b: string;
  value: number | null;
  lo: number | null;
  hi: number | null;
}

export interface Regulated {
  verdict: string;
  droop_mm_s_per_n: Estimate;
}

export interface Incident {
  kind: string;
  at_us: number;
  until_us?: number;
  position_mm: number | null;
  position_u_mm?: number;
  from_gate?: string;
  to_gate?: string;
  text?: string;
}

export interface Dropped {
  duplicates: number;
  false_crossings: number;
  late: number;
}

export interface ClockPoint {
  at_us: number;
  offset_us: number;
  delay_us: number;
  used: boolean;
}

export interface Piece {
  straight_mm?: number;
  radius_mm?: number;
  angle_deg?: number;
  hand?: string;
}

export interface Sector {
  from: string;
  to: string;
  time_s: number;
  speed_mm_s: number;
  u_s: number;
  u_speed_mm_s: number;
  from_mm: number;
  length_mm: number;
  source: string;
}
