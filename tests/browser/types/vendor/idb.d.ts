/** What the core uses of this library: stores are checked at run time, so rows are `any`. */
export interface Store {
  put(row: unknown): Promise<unknown>;
  add(row: unknown): Promise<unknown>;
  delete(key: unknown): Promise<void>;
}
export interface Change {
  store: Store;
  objectStore(name: string): Store;
  done: Promise<void>;
}
export interface Opened {
  get(store: string, key: unknown): Promise<any>;
  getAll(store: string, range?: IDBKeyRange): Promise<any[]>;
  getAllKeys(store: string, range?: IDBKeyRange): Promise<any[]>;
  put(store: string, row: unknown, key?: unknown): Promise<unknown>;
  delete(store: string, key: unknown): Promise<void>;
  transaction(stores: string | string[], mode?: IDBTransactionMode, options?: { durability?: string }): Change;
}
export function openDB(name: string, version: number, options: { upgrade(db: IDBDatabase): void }): Promise<Opened>;
