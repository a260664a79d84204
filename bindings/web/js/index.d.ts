/** A recording: a `File`, or any `Blob` with the path that results use for it, with `/` between folders. */
export type Recording = File | { path: string; file: Blob };

/** A part of the results. `alignment.json` and `READ-ME.txt` are always made. */
export type Part = 'timeline' | 'edl' | 'under-clips' | 'whole' | 'markers' | 'report';

export interface Options {
  /** What to make. Default: all but conformed sound (`under-clips`, `whole`), which is large. */
  parts?: Part[];
  /** Moments that you know to match. */
  anchors?: Anchor[];
  /** Further arguments of `coeval align`, such as `['--reference', 'cam-a']`. Files have the names that the results use. */
  arguments?: string[];
}

/** A moment that you know to match: the same instant in two files. Times are seconds from each file's start, or texts as the
 *  command reads them. */
export interface Anchor {
  a: string;
  a_at: number | string;
  b: string;
  b_at: number | string;
  /** Whether it is used even if the sound contradicts it. */
  hard?: boolean;
  /** One standard deviation of the reading, seconds. Default: 0.1. */
  uncertainty_s?: number;
}

export interface Progress {
  /** The current stage: 'reading headers', 'reading sound', 'comparing', ... */
  stage: string;
  /** The share of the stage that is done, 0 to 1. */
  done: number;
  /** The file that was read last, and how much of it is read, 0 to 1. */
  file?: { path: string; done: number };
}

export interface Result {
  /** A name for the results, for a folder or an archive. */
  name: string;
  /** The command's exit code: 0 all are placed with confidence of at least 99 %; 2 no two recordings share sound; 3 some are unplaced or to be checked. */
  code: 0 | 2 | 3;
  /** alignment.json, parsed; `alignment.schema.json` of the project describes it. */
  alignment: any;
  /** Every file that was made, by its name with `/` between folders. Names of files of a further event begin with `event-2/`. */
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
  /** `argument`: options are wrong. `nothing`: no recording can be read. `memory`: the page ran out of memory. `broken`: the
   *  engine stopped. */
  kind: 'argument' | 'nothing' | 'memory' | 'broken';
  /** The file that was being read when it happened, if there was one. */
  path?: string;
}

/** Gets the engine ready before it is needed. `module` and `worker` say where to get it, if it is not in the folder of this
 *  module. */
export function load(own?: { module?: () => Promise<WebAssembly.Module>; worker?: () => Worker }): Promise<WebAssembly.Module>;

/**
 * Places recordings on a common timeline. The result is that of the command for the same files; measured numbers differ
 * in their last digits, times by less than a sample.
 *
 * A file that cannot be read is not an error: the result says why it is unplaced. An aborted `signal` ends the worker at
 * once and rejects with the signal's reason. Measurements are kept in the worker for the next call.
 *
 * @throws {CoevalError}
 */
export function align(
  files: Iterable<Recording>, options?: Options, onProgress?: (progress: Progress) => void, signal?: AbortSignal,
): Promise<Result>;

/**
 * Makes a rough cut of what `align` answered: dead air removed, camera angles chosen. The answer is that result with the
 * files of `rough-cut/` beside the others; its `table` and `message` are those of `coeval tighten`. Of several events the
 * first is cut.
 *
 * @throws {CoevalError}
 */
export function tighten(
  result: Result, options?: { /** Arguments of `coeval tighten`, such as `['--length', '5']`. */ arguments?: string[] },
  onProgress?: (progress: Progress) => void, signal?: AbortSignal,
): Promise<Result>;

/** The whole sound of a file as a mono WAV at about 8 kHz, for listening and drawing. @throws {CoevalError} */
export function sound(file: Recording, signal?: AbortSignal): Promise<Blob>;
