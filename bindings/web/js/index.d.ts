/** A recording: a `File`, or any `Blob` with the path that results call it by, `/` between folders. */
export type Recording = File | { path: string; file: Blob };

/** A part of the results. `alignment.json` and `READ-ME.txt` always are. */
export type Part = 'timeline' | 'edl' | 'under-clips' | 'whole' | 'markers' | 'report';

export interface Options {
  /** What to make. Default: all but conformed sound (`under-clips`, `whole`), which is large. */
  parts?: Part[];
  /** Moments that are known to match. */
  anchors?: Anchor[];
  /** Further arguments of `coeval align`, for instance `['--reference', 'cam-a']`. Files are named as in the results. */
  arguments?: string[];
}

/** A moment of one file that is known to match a moment of another: seconds from each file's start, or times as the command reads them. */
export interface Anchor {
  a: string;
  a_at: number | string;
  b: string;
  b_at: number | string;
  /** Obeyed even where the sound says otherwise. */
  hard?: boolean;
  /** One standard deviation, seconds. Default: 0.1. */
  uncertainty_s?: number;
}

export interface Progress {
  /** What is done now: 'reading headers', 'reading sound', 'comparing', ... */
  stage: string;
  /** The share of the stage that is done, 0 to 1. */
  done: number;
  /** The file that was read last, and the share of it that has been reached. */
  file?: { path: string; done: number };
}

export interface Result {
  /** What the results are called: a name for a folder or an archive. */
  name: string;
  /** The command's exit code: 0 all are placed with confidence of at least 99 %; 2 no two recordings share sound; 3 some are unplaced or to be checked. */
  code: 0 | 2 | 3;
  /** alignment.json, parsed; `alignment.schema.json` of the project describes it. */
  alignment: any;
  /** Every file that was made by its name, `/` between folders; those of a further event begin with `event-2/`. */
  files: Map<string, Blob>;
  /** The recordings by their names in the results. */
  sources: Map<string, Blob>;
  /** The table that the command prints. */
  table: string;
  /** Its other messages, such as clipped sound; often empty. */
  message: string;
}

/** Why there is no result. */
export class CoevalError extends Error {
  /** `argument`: options are wrong. `nothing`: no recording can be read. `memory`: a page may have no more. `broken`: the
   *  engine stopped. */
  kind: 'argument' | 'nothing' | 'memory' | 'broken';
  /** The file that was read when it happened, if one was. */
  path?: string;
}

/** Gets the engine ready before it is needed. `module` and `worker` say where it comes from, if not from beside this
 *  module. */
export function load(own?: { module?: () => Promise<WebAssembly.Module>; worker?: () => Worker }): Promise<WebAssembly.Module>;

/**
 * Places recordings on a common timeline. The result is that of the command for the same files; measured numbers differ
 * in their last digits, times by less than a sample.
 *
 * A file that cannot be read is no error: the result says why it is unplaced. An aborted `signal` ends the worker at
 * once and rejects with the signal's reason. What was measured is kept in the worker for the next call.
 *
 * @throws {CoevalError}
 */
export function align(
  files: Iterable<Recording>, options?: Options, onProgress?: (progress: Progress) => void, signal?: AbortSignal,
): Promise<Result>;

/** A file's whole sound as a mono WAV of about 8 kHz, for the ear and for drawing. @throws {CoevalError} */
export function sound(file: Recording, signal?: AbortSignal): Promise<Blob>;
