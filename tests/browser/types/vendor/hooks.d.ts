/** What the views use of this library. */
export function useState<T>(initial: T | (() => T)): [T, (next: T | ((before: T) => T)) => void];
export function useEffect(effect: () => void | (() => void), on?: unknown[]): void;
export function useLayoutEffect(effect: () => void | (() => void), on?: unknown[]): void;
export function useLayoutEffect(effect: () => void | (() => void), on?: unknown[]): void;
export function useRef<T>(initial: T): { current: T };
export function useCallback<F extends (...given: any[]) => unknown>(callback: F, on: unknown[]): F;
export function useMemo<T>(make: () => T, on: unknown[]): T;
export function useId(): string;
